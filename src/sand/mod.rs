//! Sand: sieve analyses, limits on them, and how one sand lies on another. Touches no parcel.

pub mod grading;
pub mod layering;
pub mod sieve;
pub mod specification;

pub use grading::Grading;
pub use layering::Layering;
pub use specification::{Limit, Specification};
