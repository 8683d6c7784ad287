//! The worker against a real database and a mail server on loopback, with the time set by hand.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

mod bulletins;
mod calendar;
mod desk;
mod faults;
mod mails;
mod papers;
#[path = "../../../../crates/store/tests/support/mod.rs"]
mod support;
mod webhooks;
