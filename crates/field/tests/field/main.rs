//! The tablet's side against a service in memory that speaks the wire's types.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::as_conversions,
    clippy::disallowed_methods,
    reason = "a test fails by panicking, and may read the clock"
)]

mod commands;
#[path = "../../../domain/tests/support/mod.rs"]
mod domain;
mod durability;
mod folder;
mod many;
mod offline;
mod pulling;
mod pushing;
mod shown;
mod state_machine;
mod support;
