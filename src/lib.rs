//! Organic matter in putting greens: how much the turf makes, what coring and sanding do about it,
//! what that costs, and which programme to choose.
//!
//! Data flows one way: [`weather`] drives [`growth`]; [`practice`] says what is done and [`sand`] with what; [`mod@column`] says
//! what happens to the ground; [`engine`] runs both through time; [`calibration`] fits the unknowns
//! to soil tests; [`decision`] weighs programmes; [`study`] plans and reads trials. A module imports only from those before it.

pub mod calibration;
pub mod column;
pub mod decision;
pub mod engine;
pub mod error;
pub mod growth;
pub mod number;
pub mod practice;
pub mod sand;
pub mod study;
pub mod weather;

#[cfg(feature = "python")]
mod bindings;

pub use error::{Error, Problem, Problems, Result};
