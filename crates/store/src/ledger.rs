//! The ledger: what a row is, how it is chained, and the one way to add one.
//!
//! Rows are never read here to decide anything: judging is the caller's. What is a clamp's entry and what is reference
//! data makes no difference in this module.

mod append;
mod chain;

pub use append::{Appended, LedgerRow, append};
pub(crate) use chain::hex;
pub use chain::{GENESIS, Hash, Sealed, content_hash, link, seal};
