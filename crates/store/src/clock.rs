//! Where the store gets the time from: always from outside, so that tests and the demo can run any day they like.

use jiff::Timestamp;

/// Tells the time. The system's clock is read in the binaries only.
pub trait Clock: Send + Sync {
    /// The instant now.
    fn now(&self) -> Timestamp;
}

/// The same instant in whole microseconds, which is what the database keeps. Rounded down, so that nothing moves
/// into the future.
pub(crate) fn whole_microseconds(instant: Timestamp) -> Timestamp {
    Timestamp::from_microsecond(instant.as_microsecond()).unwrap_or(instant)
}
