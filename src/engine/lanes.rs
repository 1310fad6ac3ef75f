//! The kernel compiled once for each set of vector instructions, chosen when it runs.

use super::kernel::{Outcome, Standing, follow};
use super::member::Member;
use super::plan::{Event, Plan};
use crate::column::Column;
use crate::number::Number;

/// Members side by side: one register of AVX-512, two of AVX2, four of SSE2 or NEON.
pub const LANES: usize = 8;

/// Vector instructions that the kernel may use, where the machine has them. The bits of a result do not depend on it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub enum Instructions {
    /// Those that every machine of this architecture has.
    Baseline,
    /// Up to AVX2.
    Avx2,
    /// The best.
    #[default]
    Best,
}

/// Follows a tape, unchecked. No instruction rounds otherwise than another, and none is fused, so that the bits do not
/// depend on the machine.
#[cfg_attr(not(target_arch = "x86_64"), expect(unused_variables))]
pub(super) fn follow_with<T: Number>(
    instructions: Instructions,
    plan: &Plan,
    member: &Member<T>,
    standing: &mut Standing<T>,
    tape: &[Event],
    look: impl FnMut(usize, &Column<T>),
) -> Outcome<T> {
    #[cfg(target_arch = "x86_64")]
    {
        if instructions >= Instructions::Best
            && is_x86_feature_detected!("avx512f")
            && is_x86_feature_detected!("avx512dq")
        {
            // SAFETY: the machine has the instructions that the function is compiled for.
            #[allow(unsafe_code)]
            return unsafe { with_avx512(plan, member, standing, tape, look) };
        }
        if instructions >= Instructions::Avx2 && is_x86_feature_detected!("avx2") {
            // SAFETY: as above.
            #[allow(unsafe_code)]
            return unsafe { with_avx2(plan, member, standing, tape, look) };
        }
    }
    follow(plan, member, standing, tape, look)
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx512f,avx512dq")]
fn with_avx512<T: Number>(
    plan: &Plan,
    member: &Member<T>,
    standing: &mut Standing<T>,
    tape: &[Event],
    look: impl FnMut(usize, &Column<T>),
) -> Outcome<T> {
    follow(plan, member, standing, tape, look)
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
fn with_avx2<T: Number>(
    plan: &Plan,
    member: &Member<T>,
    standing: &mut Standing<T>,
    tape: &[Event],
    look: impl FnMut(usize, &Column<T>),
) -> Outcome<T> {
    follow(plan, member, standing, tape, look)
}

/// Does a piece of work with the widest vector instructions of the machine, if it is inlined.
pub(super) fn widest<R>(work: impl FnOnce() -> R) -> R {
    #[cfg(target_arch = "x86_64")]
    {
        if is_x86_feature_detected!("avx512f") && is_x86_feature_detected!("avx512dq") {
            // SAFETY: the machine has the instructions that the function is compiled for.
            #[allow(unsafe_code)]
            return unsafe { by_avx512(work) };
        }
        if is_x86_feature_detected!("avx2") {
            // SAFETY: as above.
            #[allow(unsafe_code)]
            return unsafe { by_avx2(work) };
        }
    }
    work()
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx512f,avx512dq")]
fn by_avx512<R>(work: impl FnOnce() -> R) -> R {
    work()
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
fn by_avx2<R>(work: impl FnOnce() -> R) -> R {
    work()
}
