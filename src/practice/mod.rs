//! What is done to a green: geometry, rates and calendar. Touches no parcel.

pub mod programme;
pub mod tine;
pub mod work;
