//! Reports: counts over the fleet, read from stored periods and never by folding clamps. Each is seen through the
//! reading role, so that it counts what the caller may see and nothing else.

mod out_of_service;

pub use out_of_service::{GroupBy, MAX_GROUPS, OutCounts, OutGroup, OutOfService};
