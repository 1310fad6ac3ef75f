//! The engine's parts: the plan, one member, members in lanes, values with gradients.
//!
//! `cargo bench --bench engine`

#[path = "../tests/courses/mod.rs"]
mod courses;

use courses::{Course, YEARS};
use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use matledger::engine::batch::{Batch, Control, Ensemble};
use matledger::engine::{Layout, Member, run};
use matledger::number::Dual;
use std::hint::black_box;

fn parts(c: &mut Criterion) {
    let course = Course::random(3);
    let typical = Member::typical();
    let layout = Layout { stretch_days: 30, ..Layout::FAST };
    let mut group = c.benchmark_group("ten years");
    group.bench_function("plan", |b| b.iter(|| black_box(course.plan(layout, &typical))));
    let plan = course.plan(layout, &typical);
    println!("{} events, {} parcels", plan.tape().len(), plan.parcels());
    group.throughput(Throughput::Elements(YEARS as u64));
    group.bench_function("one member", |b| b.iter(|| black_box(run(&plan, &typical, |_, _| {}))));
    let dual: Member<Dual<8>> = typical.lift();
    group.bench_function("one member, eight derivatives", |b| b.iter(|| black_box(run(&plan, &dual, |_, _| {}))));
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
