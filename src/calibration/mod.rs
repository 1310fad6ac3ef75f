//! Turns unknowns into a density and finds what the soil tests say about them. Never steps a parcel.

mod coordinates;
mod density;
mod joint;
mod mode;
mod sample;
mod scatter;
mod slices;
mod taught;
mod unknowns;

pub use coordinates::{Bend, Coordinates};
pub use density::{Evaluation, GreenRecord, Method, Model, SiteRecord, SoilTest};
pub use joint::Joint;
pub use mode::{Draws, Fit, climb};
pub use sample::{Block, ChainState, Density, Sampling};
pub use scatter::Scatter;
pub use slices::Slices;
pub use taught::{Lesson, Taught};
pub use unknowns::{Prior, Priors, Transform, Unknown};
