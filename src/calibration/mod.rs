//! Turns unknowns into a density and finds what the soil tests say about them. Never steps a parcel.

mod backwards;
mod clippings;
mod coordinates;
mod density;
mod information;
mod joint;
mod lockstep;
mod mode;
mod records;
mod sample;
mod scatter;
mod slices;
mod taught;
mod unknowns;

pub use clippings::{SHARED_CLIPPING_LOG_SD, YearShown};
pub use coordinates::{Bend, Coordinates, Learnt, Ridge};
pub use density::Model;
pub use information::Evaluation;
pub use joint::Joint;
pub use mode::{Draws, Fit, climb};
pub use records::{ClippingHistory, GreenRecord, Method, SiteRecord, SoilTest};
pub use sample::{Block, ChainState, Density, Sampling};
pub use scatter::Scatter;
pub use slices::Slices;
pub use taught::{Lesson, Taught};
pub use unknowns::{Prior, Priors, Transform, Unknown};
