//! Faults of input while they are collected: all of them, not the first.
//!
//! Owns only the list; what is a fault is said where an entry's body or reference data are checked, which add their own
//! ways of looking to it.

use crate::entry::InputError;
use std::fmt::Display;

/// Most items of a list.
const MAX_ITEMS: usize = 100;

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
    /// One more unless what is asked for holds.
    pub(crate) fn unless(&mut self, good: bool, pointer: &str, code: &'static str, detail: &str) {
        if !good {
            self.add(pointer, code, detail);
        }
    }
    /// One more where a text is no name.
    pub(crate) fn name(&mut self, pointer: &str, text: &str, longest: usize) {
        let length = text.chars().count();
        if text.trim() != text || length == 0 || length > longest || text.chars().any(char::is_control) {
            self.add(
                pointer,
                "invalid-name",
                format!("1 to {longest} characters, without spaces at the ends"),
            );
        }
    }
    /// One more where a list is too long.
    pub(crate) fn at_most(&mut self, pointer: &str, count: usize) {
        if count > MAX_ITEMS {
            self.add(pointer, "too-many", format!("at most {MAX_ITEMS}"));
        }
    }
}
