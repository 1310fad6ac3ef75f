//! When and for how many: one fixed plan of stretches and work, run over any number type.
//!
//! A [`Plan`] is a tape: stretches of days between two pieces of work, the work itself, and the readings asked for.
//! It is made once for a calendar and serves every member, since where parcels are split and merged is decided on a
//! nominal member. With stretches of one day it is the daily scheme, exact within a day.

pub mod adjoint;
pub mod batch;
mod grades;
mod kernel;
mod lanes;
mod member;
pub mod onward;
mod plan;
pub mod sand_shares;

pub use kernel::{Outcome, run};
pub use lanes::Instructions;
pub use member::{Field, Member};
pub use onward::{Ahead, Arrived, Onward, arrive};
pub use plan::{Dated, Event, Layout, Plan, Scenario, Spells, Tape};
