//! Clippings, and the litter of each day that follows from them.

pub mod clippings;
pub mod drivers;
