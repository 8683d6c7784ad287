//! Synchronisation: pushing what was written on devices, pulling what happened, snapshots, digests.

pub mod changes;
pub mod config;
pub mod digest;
mod elements;
pub mod events;
pub mod import;
pub mod push;
pub mod receipts;
mod results;
pub mod snapshot;
mod view;

pub use elements::again;
pub(crate) use results::held;
