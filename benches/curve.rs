//! Speed against error: how far each layout stands from the daily scheme with parcels of 0.25 mm that are never merged, over
//! random courses, programmes and draws from the full priors, and the site-years that it runs in a second on one core.
//! The daily scheme with parcels of 1 mm stands beside them: it blurs layers of sand itself.
//!
//! `cargo bench --bench curve [-- courses draws]`

#[path = "../tests/courses/mod.rs"]
mod courses;

use courses::{Course, YEARS};
use matledger::engine::batch::{Batch, Block, Control, Ensemble};
use matledger::engine::{Field, Layout, Member, run};
use matledger::error::Result;
use std::sync::Mutex;

/// Columns of unknowns of some members, for an ensemble.
struct Columns {
    fields: Vec<Vec<f64>>,
    years: Vec<Vec<f64>>,
}

impl Columns {
    fn of(members: &[Member<f64>]) -> Self {
        let fields = (0..Field::ALL.len())
            .map(|i| members.iter().map(|member| *member.clone().fields_mut()[i]).collect())
            .collect();
        let years =
            (0..YEARS as usize).map(|y| members.iter().map(|member| member.year_multipliers[y]).collect()).collect();
        Self { fields, years }
    }

    fn ensemble(&self) -> Ensemble<'_> {
        let names = Field::ALL.iter().map(|field| field.name);
        let unknowns: Vec<_> = names.zip(self.fields.iter().map(Vec::as_slice)).collect();
        let years: Vec<_> = self.years.iter().map(Vec::as_slice).collect();
        Ensemble::new(self.fields[0].len(), &unknowns, &years).unwrap()
    }
}

/// % OM of every reading of every member.
fn percents(batch: &Batch<'_>) -> Vec<Vec<f64>> {
    let kept = Mutex::new(vec![Vec::new(); batch.runs()]);
    let sink = |block: Block<'_>| {
        let mut kept = kept.lock().unwrap();
        for (member, outcome) in block.members.iter().zip(&block.outcomes) {
            kept[*member] =
                outcome.as_ref().unwrap().readings.iter().map(matledger::column::Reading::om_percent).collect();
        }
    };
    batch.run(&Control { threads: Some(1), ..Control::default() }, &sink).unwrap();
    kept.into_inner().unwrap()
}

/// Fine parcels (mm), down to (mm), parcels about an edge (mm), and what merging may blur (% mm).
const LAYOUTS: [(f64, f64, f64, f64); 7] = [
    (5.0, 12.0, 2.0, 0.3),
    (2.5, 100.0, 2.5, 0.1),
    (1.5, 12.0, 1.0, 0.05),
    (1.0, 12.0, 0.5, 0.05),
    (0.7, 12.0, 0.35, 0.03),
    (0.5, 12.0, 0.5, 0.05),
    (0.5, 12.0, 0.25, 0.05),
];

/// Seconds that this thread has run: others on the machine do not count.
fn cpu_seconds() -> f64 {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").expect("Linux");
    text.split_whitespace().next().unwrap().parse::<f64>().unwrap() * 1e-9
}

fn main() {
    let numbers: Vec<usize> = std::env::args().filter_map(|argument| argument.parse().ok()).collect();
    let (count, draws) = (numbers.first().copied().unwrap_or(200), numbers.get(1).copied().unwrap_or(1));
    let typical = Member::typical();
    let daily = |mm: f64| Layout { fine_mm: mm, coarse_mm: mm, edge_mm: mm, blur_percent_mm: 0.0, ..Layout::default() };
    let cases: Vec<_> =
        (0..count as u64).map(|seed| (Course::random(seed), courses::draws(draws, 1000 + seed))).collect();
    let truth = |layout: Layout, cases: &[(Course, Vec<Member<f64>>)]| -> Vec<Vec<Vec<f64>>> {
        let one = |course: &Course, member: &Member<f64>| {
            let outcome = run(&course.plan(layout, member), member, |_, _| {}).unwrap();
            outcome.readings.iter().map(matledger::column::Reading::om_percent).collect()
        };
        cases.iter().map(|(course, members)| members.iter().map(|member| one(course, member)).collect()).collect()
    };
    let reference = truth(daily(0.25), &cases);
    report("the daily scheme with parcels of 1 mm", &reference, &truth(daily(1.0), &cases), f64::NAN);
    let merged = Layout { blur_percent_mm: f64::INFINITY, ..daily(1.0) };
    report("the same, merged as they thin", &reference, &truth(merged, &cases), f64::NAN);
    let many: Vec<_> =
        cases.iter().take(4).map(|(course, _)| (course, Columns::of(&courses::draws(2000, 7)))).collect();
    let row = |name: &str, make: &dyn for<'a> Fn(&Course, &'a Ensemble<'a>) -> Result<Batch<'a>>| {
        let run = |course: &Course, columns: &Columns| {
            let ensemble = columns.ensemble();
            let batch = make(course, &ensemble).unwrap();
            let begin = cpu_seconds();
            let percents = percents(&batch);
            (percents, cpu_seconds() - begin)
        };
        let ran: Vec<_> = cases.iter().map(|(course, members)| run(course, &Columns::of(members)).0).collect();
        let seconds: f64 = many.iter().map(|(course, columns)| run(course, columns).1).sum();
        report(name, &reference, &ran, (many.len() * 2000 * YEARS as usize) as f64 / seconds);
    };
    for (fine_mm, fine_to_mm, edge_mm, blur_percent_mm) in LAYOUTS {
        let layout = Layout { fine_mm, fine_to_mm, edge_mm, blur_percent_mm, ..Layout::FAST };
        let name = format!("{fine_mm} mm to {fine_to_mm} mm, edges {edge_mm} mm, blur {blur_percent_mm} % mm");
        row(&name, &|course, ensemble| Batch::new(&[course.scenario(layout, &typical)], ensemble));
    }
    for error_percent in [0.05, 0.02, 0.01] {
        row(&format!("within {error_percent} % OM"), &|course, ensemble| {
            Batch::within(error_percent, &[course.scenario(Layout::default(), &typical)], ensemble)
        });
    }
}

fn report(name: &str, truth: &[Vec<Vec<f64>>], ran: &[Vec<Vec<f64>>], per_second: f64) {
    let errors: Vec<f64> =
        truth.iter().flatten().flatten().zip(ran.iter().flatten().flatten()).map(|(a, b)| (a - b).abs()).collect();
    // Ground that has sunk out of reach has no reading in either.
    let of = |first: usize| {
        let mut some: Vec<f64> = errors
            .iter()
            .enumerate()
            .filter(|(i, _)| i % courses::WINDOWS.len() >= first)
            .map(|(_, error)| *error)
            .collect();
        some.retain(|error| error.is_finite());
        some.sort_by(f64::total_cmp);
        let largest = some.last().copied().unwrap_or(f64::NAN);
        let (beyond, count) = (some.iter().filter(|e| **e > 0.02).count(), some.len());
        println!("    {beyond} of {count} readings beyond 0.02 % OM");
        (largest, (some.iter().map(|e| e * e).sum::<f64>() / some.len() as f64).sqrt())
    };
    let ((all, all_rms), (deep, deep_rms)) = (of(0), of(1));
    println!(
        "{name:50} all {all:.4} {all_rms:.4}  without 0-10 mm {deep:.4} {deep_rms:.4} % OM {per_second:>9.0} site-years/s"
    );
}
