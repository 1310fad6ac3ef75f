//! The engine's parts: the plan, one member, members in lanes, values with gradients.
//!
//! `cargo bench --bench engine`

#[path = "../tests/courses/mod.rs"]
mod courses;

use courses::{Course, YEARS};
use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use matledger::engine::adjoint::Adjoint;
use matledger::engine::batch::{Batch, Control, Ensemble};
use matledger::engine::{Layout, Member, run};
use matledger::number::{ABREAST, Abreast, Dual, Lanes, Number};
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
    group.bench_function("one member, its slopes along all fields, backwards", |b| {
        let mut adjoint = Adjoint::<f64>::default();
        let last = |read: &[f64]| (0..read.len()).map(|i| f64::from(i + 1 == read.len())).collect();
        b.iter(|| black_box(adjoint.pull_back(&plan, &typical, last)));
    });
    group.bench_function("four members in lanes, one value and its slopes along all fields", |b| {
        let mut adjoint = Adjoint::<Lanes<ABREAST>>::default();
        let mut members: Member<Lanes<ABREAST>> = typical.lift();
        for field in members.fields_mut() {
            *field = Lanes::abreast(|lane| field.0[0] * (1.0 + 0.01 * lane as f64));
        }
        let last = |read: &[Lanes<ABREAST>]| {
            (0..read.len()).map(|i| Lanes::constant(f64::from(i + 1 == read.len()))).collect()
        };
        b.iter(|| black_box(adjoint.pull_back(&plan, &members, last)));
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
