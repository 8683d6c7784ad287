//! The rules of the trade as cases: each test's name states one rule.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "helpers of tests"
)]

#[path = "../support/mod.rs"]
mod support;

mod bulletins;
mod due;
mod elsewhere;
mod grounds;
mod hostile;
mod life;
mod lockouts;
mod loosening;
mod whole_answer;
