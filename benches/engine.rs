//! The engine's parts: the plan, one member, members in lanes, values with gradients.
//!
//! `cargo bench --bench engine`

#[path = "../tests/courses/mod.rs"]
mod courses;

use courses::{Course, YEARS};
use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use matledger::engine::adjoint::Adjoint;
use matledger::engine::batch::{Batch, Control, Ensemble};
use matledger::engine::{Layout, Member, Plan, run};
use matledger::number::{Dual, Traced};
use std::hint::black_box;

fn parts(c: &mut Criterion) {
    let course = Course::random(3);
    let typical = Member::typical();
    let layout = Layout::FAST;
    let mut group = c.benchmark_group("ten years");
    group.bench_function("plan", |b| b.iter(|| black_box(course.plan(layout, &typical))));
    let plan = course.plan(layout, &typical);
    println!("{} events, {} parcels", plan.tape().len(), plan.parcels());
    group.throughput(Throughput::Elements(YEARS as u64));
    group.bench_function("one member", |b| b.iter(|| black_box(run(&plan, &typical, |_, _| {}))));
    let dual: Member<Dual<8>> = typical.lift();
    group.bench_function("one member, eight derivatives", |b| b.iter(|| black_box(run(&plan, &dual, |_, _| {}))));
    group.bench_function("eight members in lanes, one value", |b| {
        let members: Vec<f64> = (0..8).map(|n| 2.0 + 0.1 * f64::from(n)).collect();
        let ensemble = Ensemble::new(8, &[("litter_ratio", &members)], &[]).unwrap();
        let batch = Batch::new(&[course.scenario(layout, &typical)], &ensemble).unwrap();
        let control = Control { threads: Some(1), ..Control::default() };
        b.iter(|| batch.run(&control, &|block| drop(black_box(block))));
    });
    group.bench_function("eight members in lanes, one value and its slopes along all fields", |b| {
        let plans = Plan::in_step(&[(); 8].map(|()| course.scenario(layout, &typical))).unwrap();
        let plans: Vec<&Plan> = plans.iter().collect();
        let mut adjoint = Adjoint::default();
        b.iter(|| {
            adjoint.trace.restart();
            let members: Vec<Member<Traced>> = (0..8)
                .map(|n| {
                    let mut member = typical.lift::<Traced>();
                    for field in member.fields_mut() {
                        *field = adjoint.trace.variable(field.value * (1.0 + 0.01 * f64::from(n)));
                    }
                    member
                })
                .collect();
            let last = |read: &[Vec<f64>]| {
                let slopes = read.iter().map(|of| (0..of.len()).map(|i| f64::from(i + 1 == of.len())).collect());
                Ok((read.iter().map(|of| of[of.len() - 1]).sum::<f64>(), slopes.collect()))
            };
            black_box(adjoint.pull_back(&plans, &members, last)).unwrap()
        });
    });
    let litter: Vec<f64> = (0..64).map(|n| 2.0 + 0.02 * f64::from(n)).collect();
    let ensemble = Ensemble::new(64, &[("litter_ratio", &litter)], &[]).unwrap();
    let batch = Batch::new(&[course.scenario(layout, &typical)], &ensemble).unwrap();
    let control = Control { threads: Some(1), ..Control::default() };
    group.throughput(Throughput::Elements(64 * YEARS as u64));
    group.bench_function("64 members in lanes", |b| {
        b.iter(|| batch.run(&control, &|block| drop(black_box(block))));
    });
    group.finish();
}

criterion_group!(benches, parts);
criterion_main!(benches);
