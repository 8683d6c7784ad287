//! Cases of the trade, each through HTTP on a real database.

mod bodies;
mod entries;
mod fleet;

mod doubts;
mod inspecting;
mod life;
mod lift_checks;
mod limits;
mod load;
mod marks;
mod places;
mod retired;
mod retries;
mod signing;
mod told_times;
mod way_back;
