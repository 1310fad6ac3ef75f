//! The batch engine: every member as if it ran alone, near the daily scheme over random courses and the full priors.

mod courses;

use courses::{Course, WINDOWS, YEARS};
use matledger::column::Sample;
use matledger::engine::adjoint::Adjoint;
use matledger::engine::batch::{Batch, Block, Control, Ensemble};
use matledger::engine::{Field, Instructions, Layout, Member, Outcome, run};
use matledger::number::{ABREAST, Abreast, Dual, Lanes, Number};
use std::sync::Mutex;

/// Largest error that is asked for (% OM).
const ERROR_PERCENT: f64 = 0.02;

/// Outcomes of every member, in their order, within [`ERROR_PERCENT`].
fn outcomes(course: &Course, members: &[Member<f64>], threads: usize) -> Vec<Outcome<f64>> {
    let all = outcomes_with(course, members, threads, Instructions::Best);
    all.into_iter().map(Option::unwrap).collect()
}

fn outcomes_with(
    course: &Course,
    members: &[Member<f64>],
    threads: usize,
    instructions: Instructions,
) -> Vec<Option<Outcome<f64>>> {
    let fields: Vec<Vec<f64>> =
        (0..Field::ALL.len()).map(|i| members.iter().map(|member| *member.clone().fields_mut()[i]).collect()).collect();
    let years: Vec<Vec<f64>> =
        (0..YEARS as usize).map(|y| members.iter().map(|member| member.year_multipliers[y]).collect()).collect();
    let unknowns: Vec<_> = Field::ALL.iter().map(|f| f.name).zip(fields.iter().map(Vec::as_slice)).collect();
    let multipliers: Vec<_> = years.iter().map(Vec::as_slice).collect();
    let ensemble = Ensemble::new(members.len(), &unknowns, &multipliers).unwrap();
    let typical = Member::typical();
    let batch = Batch::within(ERROR_PERCENT, &[course.scenario(Layout::default(), &typical)], &ensemble).unwrap();
    let kept = Mutex::new(vec![None; members.len()]);
    let control = Control { threads: Some(threads), instructions, ..Control::default() };
    let sink = |block: Block<'_>| {
        for (member, outcome) in block.members.iter().zip(block.outcomes) {
            kept.lock().unwrap()[*member] = outcome;
        }
    };
    batch.run(&control, &sink).unwrap();
    kept.into_inner().unwrap()
}

fn percents(outcome: &Outcome<f64>) -> Vec<f64> {
    outcome.readings.iter().map(matledger::column::Reading::om_percent).collect()
}

/// Alone, among others, on one thread or two: the same bits.
#[test]
fn a_member_does_not_depend_on_its_neighbours_its_block_or_the_threads() {
    let course = Course::random(5);
    let members = courses::draws(40, 9);
    let together = outcomes(&course, &members, 2);
    assert_eq!(together, outcomes(&course, &members, 1));
    for (member, outcome) in members.iter().zip(&together).step_by(7) {
        assert_eq!(outcomes(&course, std::slice::from_ref(member), 1)[0], *outcome);
    }
}

/// The same bits, whatever the machine's vector instructions.
#[test]
fn no_instruction_set_moves_a_bit() {
    let course = Course::random(8);
    let members = courses::draws(24, 4);
    let best = outcomes_with(&course, &members, 1, Instructions::Best);
    for instructions in [Instructions::Avx2, Instructions::Baseline] {
        assert_eq!(best, outcomes_with(&course, &members, 1, instructions));
    }
}

/// A member whose decay is too fast for the series is marked; the rest finish as if it were not there.
#[test]
fn a_member_that_decays_too_fast_is_marked() {
    let course = Course::random(5);
    let mut members = courses::draws(9, 9);
    let rest = outcomes(&course, &members, 1);
    members[4].decay.young_per_year = 12.5;
    let found = outcomes_with(&course, &members, 1, Instructions::Best);
    for (i, (found, rest)) in found.iter().zip(&rest).enumerate() {
        assert_eq!(found.as_ref(), (i != 4).then_some(rest));
    }
}

/// 200 courses, programmes and draws from the full priors against the daily scheme with parcels of 0.25 mm that are never
/// merged: with parcels of 1 mm it blurs layers of sand itself. The grades were set on other courses.
#[test]
fn each_member_is_read_within_the_error_asked_for() {
    let daily = Layout { fine_mm: 0.25, coarse_mm: 0.25, edge_mm: 0.25, blur_percent_mm: 0.0, ..Layout::default() };
    let mut errors = vec![Vec::new(); WINDOWS.len()];
    for seed in 0..200 {
        let course = Course::random(seed);
        let member = &courses::draws(1, 1000 + seed)[0];
        let reference = percents(&run(&course.plan(daily, member), member, |_, _| {}).unwrap());
        let graded = percents(&outcomes(&course, std::slice::from_ref(member), 1)[0]);
        for (i, (a, b)) in reference.iter().zip(&graded).enumerate() {
            // Ground that has sunk below the column has no reading.
            if !(a.is_nan() || b.is_nan()) {
                errors[i % WINDOWS.len()].push((a - b).abs());
            }
        }
    }
    let largest = |errors: &[f64]| errors.iter().copied().fold(0.0, f64::max);
    let rms = |errors: &[f64]| (errors.iter().map(|e| e * e).sum::<f64>() / errors.len() as f64).sqrt();
    for (window, errors) in WINDOWS.iter().zip(&errors) {
        println!("{window:?} mm: largest {:.4}, rms {:.4} % OM", largest(errors), rms(errors));
    }
    let all = errors.concat();
    let beyond = all.iter().filter(|error| **error > ERROR_PERCENT).count();
    println!("all: largest {:.4}, rms {:.4} % OM, {beyond} of {} beyond", largest(&all), rms(&all), all.len());
    assert!(all.len() > 7900);
    assert!(rms(&all) < 0.003);
    assert!(largest(&all) < ERROR_PERCENT);
}

/// All that the engine takes in of a member of these courses.
const INPUTS: usize = Field::ALL.len() + YEARS as usize;

/// Weights of readings, none alike, some of them nothing.
fn weights(readings: usize) -> Vec<f64> {
    (0..readings).map(|i| if i % 5 == 3 { 0.0 } else { (1.7 * i as f64).sin() }).collect()
}

/// Slopes of the weighted readings along all inputs, forwards.
fn slopes_forwards(course: &Course, member: &Member<f64>) -> Vec<f64> {
    let mut lifted: Member<Dual<INPUTS>> = member.lift();
    lifted.inputs_mut().enumerate().for_each(|(i, input)| *input = Dual::variable(input.value, i));
    let plan = course.plan(Layout::FAST, &Member::typical());
    let readings = run(&plan, &lifted, |_, _| {}).unwrap().readings;
    let by: Vec<[f64; INPUTS]> = readings.iter().map(|reading| reading.om_percent().derivative).collect();
    let weighted = |i: usize| by.iter().zip(weights(by.len())).map(|(by, weight)| by[i] * weight).sum();
    (0..INPUTS).map(weighted).collect()
}

/// Holes filled, left open and closed, cores taken away and worked back in, blades, jets, windows, layers: backwards, alone
/// and side by side, as forwards.
#[test]
fn slopes_backwards_are_those_forwards() {
    for seed in 0..16 {
        let mut course = Course::random(seed);
        let (middle, _) = course.samples[course.samples.len() / 2];
        course.samples.extend([Sample::AboveRootZone, Sample::AbovePercent(3.0)].map(|layer| (middle, layer)));
        let plan = course.plan(Layout::FAST, &Member::typical());
        let members = courses::draws(ABREAST, seed);
        let forwards: Vec<_> = members.iter().map(|member| slopes_forwards(&course, member)).collect();
        // An empty parcel beside a full one makes a ratio of 1e9, and rounding with it.
        let near = |found: f64, expected: f64| (found - expected).abs() <= 1e-6 * (1.0 + expected.abs());
        let mut alone = Adjoint::<f64>::default();
        for (member, forwards) in members.iter().zip(&forwards) {
            let mut backwards = alone.pull_back(&plan, member, |read| weights(read.len()));
            for (i, (found, expected)) in backwards.inputs_mut().zip(forwards).enumerate() {
                assert!(near(*found, *expected), "course {seed}, input {i}: {found} and {expected}");
            }
        }
        let mut abreast: Member<Lanes<ABREAST>> = members[0].lift();
        let mut singly = members.clone();
        for (i, input) in abreast.inputs_mut().enumerate() {
            let of: Vec<f64> = singly.iter_mut().map(|member| *member.inputs_mut().nth(i).unwrap()).collect();
            *input = Lanes::abreast(|lane| of[lane]);
        }
        let weigh = |read: &[Lanes<ABREAST>]| weights(read.len()).into_iter().map(Lanes::constant).collect();
        let mut backwards = Adjoint::default().pull_back(&plan, &abreast, weigh);
        for (i, found) in backwards.inputs_mut().enumerate() {
            for (lane, forwards) in forwards.iter().enumerate() {
                assert!(near(found.lane(lane), forwards[i]), "course {seed}, input {i}, lane {lane}");
            }
        }
    }
}
