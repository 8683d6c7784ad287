//! What holds for every set of entries, not only for the cases that somebody thought of.
//!
//! Goal: the promises of the fold. Method: random reference data and random histories, thousands of each.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "helpers of tests")]

#[path = "../support/mod.rs"]
mod support;

mod found;
mod incremental;
mod lockouts;
mod order;
mod out_periods;
mod random;
mod time;
mod unsigned;

use proptest::prelude::ProptestConfig;

/// So many cases, whatever the environment says.
fn cases(number: u32) -> ProptestConfig {
    ProptestConfig {
        cases: number,
        failure_persistence: None,
        ..ProptestConfig::default()
    }
}
