//! Synchronisation: pulling what happened, snapshots, digests.

pub mod changes;
pub mod config;
pub mod digest;
pub mod events;
pub mod snapshot;
mod view;
