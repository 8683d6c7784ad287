//! Synchronisation with devices: what they push, what is kept of it that could not be recorded, what they are told.

pub mod clocks;
pub mod held;
pub mod push;
pub mod receipts;
