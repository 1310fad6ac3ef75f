//! The kernel over lanes, compiled once for each set of vector instructions and chosen when it runs.

use super::kernel::{Outcome, Standing, follow};
use super::member::Member;
use super::plan::{Event, Plan};
use crate::number::Lanes;

/// Members side by side: one register of AVX-512, two of AVX2, four of SSE2 or NEON.
pub const LANES: usize = 8;

/// Follows a tape for members side by side, unchecked. No instruction rounds otherwise than another, and none is fused, so
/// that the bits do not depend on the machine.
pub(super) fn run_lanes(
    plan: &Plan,
    member: &Member<Lanes<LANES>>,
    standing: &mut Standing<Lanes<LANES>>,
    tape: &[Event],
) -> Outcome<Lanes<LANES>> {
    #[cfg(target_arch = "x86_64")]
    {
        if is_x86_feature_detected!("avx512f") && is_x86_feature_detected!("avx512dq") {
            // SAFETY: the machine has the instructions that the function is compiled for.
            #[allow(unsafe_code)]
            return unsafe { with_avx512(plan, member, standing, tape) };
        }
        if is_x86_feature_detected!("avx2") {
            // SAFETY: as above.
            #[allow(unsafe_code)]
            return unsafe { with_avx2(plan, member, standing, tape) };
        }
    }
    follow(plan, member, standing, tape, |_, _| {})
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx512f,avx512dq")]
fn with_avx512(
    plan: &Plan,
    member: &Member<Lanes<LANES>>,
    standing: &mut Standing<Lanes<LANES>>,
    tape: &[Event],
) -> Outcome<Lanes<LANES>> {
    follow(plan, member, standing, tape, |_, _| {})
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
fn with_avx2(
    plan: &Plan,
    member: &Member<Lanes<LANES>>,
    standing: &mut Standing<Lanes<LANES>>,
    tape: &[Event],
) -> Outcome<Lanes<LANES>> {
    follow(plan, member, standing, tape, |_, _| {})
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
