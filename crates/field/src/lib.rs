//! A tablet's side of Clampward.
//!
//! [`journal`] keeps what was written here until the service has it for good; [`mirror`] keeps what was pulled;
//! [`offline`] judges with the rules of [`clampward_domain`] on both; [`core`] is the synchronisation as a state machine
//! without sockets, files or clock, which [`session`] drives. [`keys`] holds the device's key and people's signing keys.
//!
//! The library reads no clock and makes no random bytes: both are handed in.

pub mod cli;
pub mod clock;
pub mod core;
pub mod database;
pub mod device;
pub mod export;
pub mod failure;
pub mod journal;
pub mod keys;
pub mod mirror;
pub mod offline;
pub mod private;
pub mod random;
pub mod session;
pub mod transport;
