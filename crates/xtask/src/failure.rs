//! The one error of these commands: a sentence for the person at the keyboard.

use std::fmt::{self, Display};

/// What went wrong and, where there is something to do about it, what.
#[derive(Debug, PartialEq, Eq)]
pub struct Failure(String);

/// What a command answers.
pub type Done<T = ()> = Result<T, Failure>;

impl Failure {
    /// A failure in words.
    pub fn new(sentence: impl Into<String>) -> Self {
        Self(sentence.into())
    }
}

impl Display for Failure {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str(&self.0)
    }
}

/// Says what was being done when another error came up.
pub trait While<T> {
    /// Puts `doing` before the error.
    fn during(self, doing: impl Display) -> Done<T>;
}

impl<T, E: Display> While<T> for Result<T, E> {
    fn during(self, doing: impl Display) -> Done<T> {
        self.map_err(|error| Failure::new(format!("{doing}: {error}")))
    }
}
