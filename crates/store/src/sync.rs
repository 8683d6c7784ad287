//! Synchronisation with devices: what they push, what is kept of it that could not be recorded, what they are told.

mod believed;
pub mod clocks;
mod guard;
pub mod held;
pub mod push;
pub mod receipts;
