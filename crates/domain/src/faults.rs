//! Faults of input while they are collected: all of them, not the first.
//!
//! Owns only the list; what is a fault is said where an entry's body or reference data are checked, which add their own
//! ways of looking to it.

use crate::entry::InputError;
use std::fmt::Display;

/// Faults found so far, in the order in which they were found.
#[derive(Default)]
pub(crate) struct Faults(pub(crate) Vec<InputError>);

impl Faults {
    /// One more. Its place is written only here: most of what is looked at is in order.
    pub(crate) fn add(&mut self, pointer: impl Display, code: &'static str, detail: impl Into<String>) {
        self.0.push(InputError {
            pointer: pointer.to_string(),
            code,
            detail: detail.into(),
        });
    }
}
