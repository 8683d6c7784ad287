//! The HTTP service: sign-in, endpoints and the published contract.
//!
//! A request is three layers: an extractor, one operation of the domain or the store, a view. [`build`] makes the
//! server that the binary and the tests run alike. This crate holds no SQL and decides no rule of the trade.

pub mod background;
pub mod catalogue;
pub mod commands;
pub mod config;
mod cursor;
pub mod docs;
pub mod extract;
mod frame;
pub mod healthcheck;
pub mod idempotency;
mod in_runtime;
pub mod limits;
pub mod logs;
pub mod metrics;
pub mod openapi;
pub mod permission;
pub mod photos;
pub mod plot;
pub mod quota;
pub mod random;
pub mod readiness;
pub mod reply;
pub mod routes;
mod server;
pub mod shedding;
pub mod sign_in;
mod waiting;

pub use config::Config;
pub use server::{Running, build};

pub use clampward_process::{clock, environment, secret};
