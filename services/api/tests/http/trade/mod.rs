//! Cases of the trade, each through HTTP on a real database.

pub mod bodies;
mod entries;
pub mod fleet;

pub use bodies::{accepted, finding};
pub use fleet::{Fleet, Person, kg, mm, with};

mod asking;
mod doubts;
mod inspecting;
mod life;
mod lift_checks;
mod limits;
mod load;
mod marks;
mod other_reports;
mod places;
mod programs;
mod reports;
mod retired;
mod retries;
mod signing;
mod told_times;
mod way_back;
