//! The service over real HTTP with a real database: one module per part of the contract.

#![expect(
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test that cannot go on says so by panicking"
)]

mod support;

mod administrator;
mod authorisation;
mod bad_input;
mod competences;
mod contract;
mod criteria;
mod devices;
mod docs;
mod examples;
mod framing;
mod idempotency;
mod lists;
mod models;
mod photos;
mod pulls;
mod service_accounts;
mod sign_in;
mod sign_in_keys;
mod sign_in_sessions;
mod sign_in_throttle;
mod sign_in_tokens;
mod sync;
mod trade;
mod users;
mod versions;
mod webhooks;
mod yards;
