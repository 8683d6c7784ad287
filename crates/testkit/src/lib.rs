//! PostgreSQL for development and tests.
//!
//! [`postgres`] runs a private cluster from the binaries on this machine; [`server`] decides where a test server
//! comes from; [`TestDatabase`] is a fresh, migrated database for one test. Knows no entry, no table and no HTTP:
//! the store's own tests stand on this crate, so it must never depend on the store.

#[cfg(feature = "containers")]
mod container;
mod database;
mod given_up;
pub mod mail;
pub mod postgres;
pub mod server;
pub mod supervised;
pub mod webhook;

pub use database::{SERVICE_PASSWORD, SERVICE_ROLE, TestDatabase, ensure_database, url_as};
pub use given_up::within_waits;
