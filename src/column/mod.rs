//! What happens to the ground: parcels that grow, decay, lose cores, take sand and answer tests. Knows no date.
//!
//! The profile is a stack of parcels that move with the sand, stored from the bottom up so that new sand is pushed on
//! the end. Masses are g/m2, depths and thicknesses mm below the present surface.

#[cfg(test)]
mod backwards;
pub mod cores;
pub mod decay;
pub mod ledger;
pub mod litter;
pub mod parcel;
mod recut;
pub mod sand;
pub mod window;

pub use decay::{DecayRates, FASTEST_DECAY_PER_YEAR, LONGEST_SPAN_YEARS, TwoPools, Weathering};
pub use ledger::{Account, Ledger};
pub use litter::LitterDepths;
pub(crate) use parcel::{Along, Volumes};
pub use parcel::{Column, Densities, Profile};
pub(crate) use recut::woven;
pub(crate) use sand::HoleSlopes;
pub use window::{Reading, Sample};
