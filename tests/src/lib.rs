//! What the whole-system tests share: programs of this workspace as processes, and a small yard to write in.
//!
//! Everything here is for tests, which fail by panicking; nothing is decided here.
#![allow(
    clippy::expect_used,
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    reason = "a test fails by panicking, and may read the clock and the environment"
)]

pub mod console;
pub mod program;
pub mod simulation;
pub mod yard;
