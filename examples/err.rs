//! x
#[path = "../tests/courses/mod.rs"]
mod courses;
use courses::*;
use matledger::engine::batch::{Batch, Block, Control, Ensemble};
use matledger::engine::{Field, Layout, Member, run};
use std::sync::Mutex;
fn percents(course: &Course, layout: Layout, member: &Member<f64>) -> Vec<f64> {
    run(&course.plan(layout, member), member, |_, _| {}).unwrap().readings.iter().map(|r| r.om_percent()).collect()
}
fn batch(course: &Course, layout: Layout, m: &Member<f64>) -> (Vec<f64>, usize) {
    let mut mm = m.clone();
    let f: Vec<[f64; 1]> = mm.fields_mut().into_iter().map(|v| [*v]).collect();
    let y: Vec<[f64; 1]> = m.year_multipliers.iter().map(|v| [*v]).collect();
    let u: Vec<_> = Field::ALL.iter().map(|f| f.name).zip(f.iter().map(|v| v.as_slice())).collect();
    let ys: Vec<_> = y.iter().map(|v| v.as_slice()).collect();
    let e = Ensemble::new(1, &u, &ys).unwrap();
    let t = Member::typical();
    let b = Batch::new(&[course.scenario(layout, &t)], &e).unwrap();
    let out = Mutex::new(Vec::new());
    b.run(&Control { threads: Some(1), ..Default::default() }, &|k: Block<'_>| {
        *out.lock().unwrap() = k.outcomes[0].as_ref().unwrap().readings.iter().map(|r| r.om_percent()).collect();
    })
    .unwrap();
    (out.into_inner().unwrap(), 0)
}
fn say(name: &str, a: &[Vec<f64>], b: &[Vec<f64>], worst: usize) {
    let mut all: Vec<(f64, usize, usize)> = vec![];
    for (s, (x, y)) in a.iter().zip(b).enumerate() {
        for (i, (p, q)) in x.iter().zip(y).enumerate() {
            if p.is_nan() || q.is_nan() {
                continue;
            }
            all.push(((p - q).abs(), s, i));
        }
    }
    let rms = |w: &dyn Fn(usize) -> bool| {
        let v: Vec<f64> = all.iter().filter(|e| w(e.2)).map(|e| e.0).collect();
        ((v.iter().map(|e| e * e).sum::<f64>() / v.len() as f64).sqrt(), v.iter().cloned().fold(0.0, f64::max))
    };
    print!("{name:44} all {:.4} max {:.4} |", rms(&|_| true).0, rms(&|_| true).1);
    for w in 0..4 {
        let r = rms(&|i| i % 4 == w);
        print!(" {:.4} {:.4}", r.0, r.1);
    }
    println!();
    all.sort_by(|x, y| y.0.total_cmp(&x.0));
    let mut seen = std::collections::BTreeSet::new();
    for e in &all {
        if seen.len() >= worst {
            break;
        }
        if seen.insert(e.1) {
            println!(
                "   seed {} year {} window {:?}: {:.4} vs {:.4}",
                e.1,
                e.2 / 4,
                WINDOWS[e.2 % 4],
                a[e.1][e.2],
                b[e.1][e.2]
            );
        }
    }
}
fn main() {
    let n: u64 = std::env::args().nth(1).map_or(200, |v| v.parse().unwrap());
    let cases: Vec<_> = (0..n).map(|s| (Course::random(s), draws(1, 1000 + s).remove(0))).collect();
    let base = Layout { stretch_days: 1, blur_percent_mm: f64::INFINITY, ..Layout::default() };
    let all = |l: Layout| -> Vec<Vec<f64>> { cases.iter().map(|(c, m)| percents(c, l, m)).collect() };
    let d = |f: f64, blur: f64| Layout { fine_mm: f, coarse_mm: f, blur_percent_mm: blur, ..base };
    let path = format!("/tmp/engine-ref-{n}.txt");
    let r: Vec<Vec<f64>> = match std::fs::read_to_string(&path) {
        Ok(t) => t.lines().map(|l| l.split(' ').map(|v| v.parse().unwrap()).collect()).collect(),
        _ => {
            let r = all(d(0.25, 0.0));
            std::fs::write(
                &path,
                r.iter()
                    .map(|x| x.iter().map(|v| v.to_string()).collect::<Vec<_>>().join(" "))
                    .collect::<Vec<_>>()
                    .join("\n"),
            )
            .unwrap();
            r
        }
    };
    let f = |fine_mm: f64, fine_to_mm: f64, edge_mm: f64, blur_percent_mm: f64, coarse_mm: f64| Layout {
        fine_mm,
        fine_to_mm,
        edge_mm,
        blur_percent_mm,
        coarse_mm,
        ..Layout::FAST
    };
    for l in [
        f(1.0, 15.0, 0.5, 0.05, 5.0),
        f(1.5, 20.0, 0.5, 0.1, 5.0),
        f(1.0, 15.0, 0.35, 0.05, 5.0),
        f(0.5, 15.0, 0.35, 0.03, 5.0),
        Layout::default(),
    ] {
        let name =
            format!("{} {} edge {} blur {} {}", l.fine_mm, l.fine_to_mm, l.edge_mm, l.blur_percent_mm, l.coarse_mm);
        let fast: Vec<Vec<f64>> = cases.iter().map(|(c, m)| batch(c, l, m).0).collect();
        say(&format!("{name} batch"), &r, &fast, 6);
        let t = Member::typical();
        let (mut p, mut e) = (0usize, 0usize);
        for (c, _) in &cases {
            let plan = c.plan(l, &t);
            e += plan.tape().len();
            p += work(&plan);
        }
        println!("   events {} parcel-stretches {}", e / cases.len(), p / cases.len());
    }
}
fn work(plan: &matledger::engine::Plan) -> usize {
    use matledger::engine::Event;
    let mut n = plan.parcels();
    let mut sum = 0;
    for e in plan.tape() {
        match e {
            Event::Push => n += 1,
            Event::Split { parts, .. } => n += parts - 1,
            Event::Merge { .. } => n -= 1,
            Event::Stretch { .. } => sum += n,
            _ => {}
        }
    }
    sum
}
