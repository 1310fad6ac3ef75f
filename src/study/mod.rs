//! Studies of many plots and sites: what a plain mixed model says, and how much sampling a question needs.

mod holes;
mod mixed;
mod pool;
mod power;
mod trial;

pub use holes::{HolePattern, bessel_j1};
pub use mixed::{Criterion, Estimate, MixedFit, MixedModel, RandomTerm};
pub use pool::{Pooled, pool};
pub use power::{f_power, t_power};
pub use trial::{Design, Treated, Trials, Variances};
