//! The share of the machine's arithmetic peak that the engine reaches, on one core.
//!
//! `cargo bench --bench peak` counts the operations of a run by running it over a number that counts (an exponential as the
//! additions and multiplications of its series, a choice as one), times members in lanes on the same tape, and sets both
//! beside independent additions and multiplications in registers, by the widest vectors there are.

#[path = "../tests/courses/mod.rs"]
mod courses;

use courses::{Course, YEARS};
use matledger::engine::batch::{Batch, Control, Ensemble};
use matledger::engine::{Event, Layout, Member, run};
use matledger::number::Number;
use pulp::{Arch, Simd, WithSimd};
use std::cell::Cell;
use std::hint::black_box;
use std::ops::{Add, AddAssign, Div, Mul, MulAssign, Neg, Sub, SubAssign};
use std::time::Instant;

thread_local! {
    static DONE: Cell<u64> = const { Cell::new(0) };
}

/// Operations in an exponential: thirteen terms of a series, and six to get to it.
const OF_EXP: u64 = 32;

/// A number that counts what is done with it.
#[derive(Debug, Clone, Copy)]
struct Counted(f64);

fn counted(value: f64, operations: u64) -> Counted {
    DONE.set(DONE.get() + operations);
    Counted(value)
}

macro_rules! operators {
    ($($trait:ident $method:ident $operator:tt;)*) => {$(
        impl $trait for Counted {
            type Output = Self;
            fn $method(self, other: Self) -> Self {
                counted(self.0 $operator other.0, 1)
            }
        }
        impl $trait<f64> for Counted {
            type Output = Self;
            fn $method(self, other: f64) -> Self {
                counted(self.0 $operator other, 1)
            }
        }
    )*};
}

operators! { Add add +; Sub sub -; Mul mul *; Div div /; }

impl Neg for Counted {
    type Output = Self;
    fn neg(self) -> Self {
        counted(-self.0, 1)
    }
}

impl AddAssign for Counted {
    fn add_assign(&mut self, other: Self) {
        *self = *self + other;
    }
}

impl SubAssign for Counted {
    fn sub_assign(&mut self, other: Self) {
        *self = *self - other;
    }
}

impl MulAssign for Counted {
    fn mul_assign(&mut self, other: Self) {
        *self = *self * other;
    }
}

impl Number for Counted {
    fn constant(value: f64) -> Self {
        Self(value)
    }
    fn pick_less(self, other: Self, a: Self, b: Self) -> Self {
        counted(if self.0 < other.0 { a.0 } else { b.0 }, 1)
    }
    fn exp(self) -> Self {
        counted(self.0.exp(), OF_EXP)
    }
    fn ln(self) -> Self {
        counted(self.0.ln(), 1)
    }
    fn sqrt(self) -> Self {
        counted(self.0.sqrt(), 1)
    }
    fn largest(self) -> f64 {
        self.0.abs()
    }
    fn at_least(self, limit: f64) -> bool {
        self.0 >= limit
    }
}

/// Additions and multiplications that wait for nothing but their own chain.
struct Chains {
    rounds: usize,
}

const CHAINS: usize = 12;

impl WithSimd for Chains {
    type Output = f64;

    /// Operations done.
    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) -> f64 {
        let (factor, step) = (simd.splat_f64s(black_box(1.0 + 1e-12)), simd.splat_f64s(black_box(1e-12)));
        let mut products = [simd.splat_f64s(black_box(1.0)); CHAINS];
        let mut sums = products;
        for _ in 0..self.rounds {
            for (product, sum) in products.iter_mut().zip(&mut sums) {
                *product = simd.mul_f64s(*product, factor);
                *sum = simd.add_f64s(*sum, step);
            }
        }
        black_box((&products, &sums));
        (2 * CHAINS * self.rounds * S::F64_LANES) as f64
    }
}

/// Operations a second, the best of five.
fn best(work: impl Fn() -> f64) -> f64 {
    let once = || {
        let begin = Instant::now();
        let operations = work();
        operations / begin.elapsed().as_secs_f64()
    };
    (0..5).map(|_| once()).fold(0.0, f64::max)
}

fn main() {
    const MEMBERS: usize = 2048;
    let arch = Arch::new();
    let peak = best(|| arch.dispatch(Chains { rounds: 20_000_000 }));
    let (course, typical) = (Course::random(3), Member::typical());
    println!("peak of additions and multiplications: {:.1} G/s", peak * 1e-9);
    for (name, layout) in [("0.5 mm", Layout::FAST), ("2 mm", Layout { fine_mm: 2.0, ..Layout::FAST })] {
        let plan = course.plan(layout, &typical);
        DONE.set(0);
        run(&plan, &typical.lift::<Counted>(), |_, _| {}).unwrap();
        let operations = DONE.get() as f64;
        let litter: Vec<f64> = (0..MEMBERS).map(|n| 2.9 + 1e-4 * n as f64).collect();
        let ensemble = Ensemble::new(MEMBERS, &[("litter_ratio", &litter)], &[]).unwrap();
        let batch = Batch::new(&[course.scenario(layout, &typical)], &ensemble).unwrap();
        let control = Control { threads: Some(1), ..Control::default() };
        let reached = best(|| {
            batch.run(&control, &|block| drop(black_box(block))).unwrap();
            operations * MEMBERS as f64
        });
        let stretches = plan.tape().iter().filter(|event| matches!(event, Event::Stretch { .. })).count();
        println!(
            "fine parcels of {name}: {:.0} stretches and {:.0} operations a site-year, {:.1} G/s, {:.0} % of the peak",
            stretches as f64 / f64::from(YEARS),
            operations / f64::from(YEARS),
            reached * 1e-9,
            100.0 * reached / peak
        );
    }
}
