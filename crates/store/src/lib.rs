//! PostgreSQL: the ledger, what is computed from it, and the one door that writes. Every SQL statement lives here.
//!
//! - [`Store::run_tx`] runs a named transaction under the writing role, repeated where the database asks for it.
//! - [`Store::once`] shares one transaction between several commands and keeps the answer in it.
//! - [`ledger::append`] is its last statement: rows get their gapless position there and nowhere else.
//! - [`Store::record`] is the door for entries about clamps.
//! - [`Store::read`] opens a transaction under the reading role, which sees the yards it is told and nothing more.
//!
//! This crate does not know HTTP, reads no clock of its own (see [`Clock`]) and makes no random id.

pub mod bulletins;
pub mod clamps;
mod clock;
pub mod door;
mod error;
pub mod feed;
mod health;
pub mod ledger;
mod lift_checks;
mod migrate;
pub mod notices;
pub mod once;
mod out_periods;
pub mod people;
pub mod photos;
mod projection;
pub mod reference;
pub mod reports;
mod store;
pub mod sync;
mod tx;
pub mod verify;
pub mod webhooks;

pub use clamps::{
    AsOf, Bearers, ClampFilter, ClampNow, ClampPage, ClampThen, FitnessNow, HistoryRow, Knowledge, LookedUp,
    ReadClamp, ReadClamps,
};
pub use clock::Clock;
pub use door::{Author, Mode, NewEntry, RecordError, Recorded, Recording, Signing};
pub use error::StoreError;
pub use health::{PoolUse, Schema};
pub use lift_checks::LiftCheckRecord;
pub use migrate::migrate;
pub use store::{Store, StoreOptions};
pub use tx::{CommandError, ReadTx, Tx};
pub use verify::{VerifyReport, Violation, ViolationKind};
