//! The batch engine: every member as if it ran alone, near the daily scheme over random courses and the full priors.

mod courses;

use courses::{Course, WINDOWS, YEARS};
use matledger::engine::batch::{Batch, Block, Control, Ensemble};
use matledger::engine::{Field, Layout, Member, Outcome, run};
use std::sync::Mutex;

/// Outcomes of every member, in their order.
fn outcomes(course: &Course, layout: Layout, members: &[Member<f64>], threads: usize) -> Vec<Outcome<f64>> {
    let fields: Vec<Vec<f64>> =
        (0..Field::ALL.len()).map(|i| members.iter().map(|member| *member.clone().fields_mut()[i]).collect()).collect();
    let years: Vec<Vec<f64>> =
        (0..YEARS as usize).map(|y| members.iter().map(|member| member.year_multipliers[y]).collect()).collect();
    let unknowns: Vec<_> = Field::ALL.iter().map(|f| f.name).zip(fields.iter().map(Vec::as_slice)).collect();
    let multipliers: Vec<_> = years.iter().map(Vec::as_slice).collect();
    let ensemble = Ensemble::new(members.len(), &unknowns, &multipliers).unwrap();
    let typical = Member::typical();
    let batch = Batch::new(&[course.scenario(layout, &typical)], &ensemble).unwrap();
    let kept = Mutex::new(vec![None; members.len()]);
    let control = Control { threads: Some(threads), ..Control::default() };
    let sink = |block: Block<'_>| {
        for (member, outcome) in block.members.iter().zip(block.outcomes) {
            kept.lock().unwrap()[*member] = outcome;
        }
    };
    batch.run(&control, &sink).unwrap();
    kept.into_inner().unwrap().into_iter().map(Option::unwrap).collect()
}

fn percents(outcome: &Outcome<f64>) -> Vec<f64> {
    outcome.readings.iter().map(|reading| reading.om_percent()).collect()
}

/// Alone, among others, on one thread or two: the same bits.
#[test]
fn a_member_does_not_depend_on_its_neighbours_its_block_or_the_threads() {
    let course = Course::random(5);
    let members = courses::draws(40, 9);
    let together = outcomes(&course, Layout::FAST, &members, 2);
    assert_eq!(together, outcomes(&course, Layout::FAST, &members, 1));
    for (member, outcome) in members.iter().zip(&together).step_by(7) {
        assert_eq!(outcomes(&course, Layout::FAST, std::slice::from_ref(member), 1)[0], *outcome);
    }
}

/// 200 courses, programmes and draws from the full priors against the daily scheme with parcels of 1 mm.
#[test]
fn the_fast_layout_stays_near_the_daily_scheme() {
    let daily = Layout { fine_mm: 1.0, coarse_mm: 1.0, blur_percent_mm: f64::INFINITY, ..Layout::default() };
    let mut errors = vec![Vec::new(); WINDOWS.len()];
    for seed in 0..200 {
        let course = Course::random(seed);
        let member = &courses::draws(1, 1000 + seed)[0];
        let reference = percents(&run(&course.plan(daily, member), member, |_, _| {}).unwrap());
        let fast = percents(&outcomes(&course, Layout::FAST, std::slice::from_ref(member), 1)[0]);
        for (i, (a, b)) in reference.iter().zip(&fast).enumerate() {
            errors[i % WINDOWS.len()].push((a - b).abs());
        }
    }
    let largest = |errors: &[f64]| errors.iter().copied().fold(0.0, f64::max);
    let rms = |errors: &[f64]| (errors.iter().map(|e| e * e).sum::<f64>() / errors.len() as f64).sqrt();
    for (window, errors) in WINDOWS.iter().zip(&errors) {
        println!("{window:?} mm: largest {:.4}, rms {:.4} % OM", largest(errors), rms(errors));
    }
    let (all, wide) = (errors.concat(), errors[1..].concat());
    println!("all: rms {:.4}; without 0 to 10 mm: rms {:.4} % OM", rms(&all), rms(&wide));
    assert!(rms(&wide) < 0.003);
    assert!(largest(&wide) < 0.08);
    // The reference blurs the top centimetre itself: finer parcels come no nearer to it.
    assert!(rms(&all) < 0.004);
    assert!(largest(&all) < 0.15);
}
