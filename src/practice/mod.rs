//! What is done to a green: geometry, rates and calendar. Touches no parcel.

pub mod order;
pub mod programme;
pub mod rule;
pub mod spreading;
pub mod tine;
pub mod work;
pub mod work_day;

pub use programme::{Calendar, Dated, NoWork, Programme, Step, WhenNoWork};
pub use rule::{DegreeDays, MonthDay, Rule};
