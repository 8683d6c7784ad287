//! A clock that the loader moves through the 18 months.

use clampward_store::Clock;
use jiff::Timestamp;
use std::sync::atomic::{AtomicI64, Ordering};

/// A clock that stands where it was set.
pub struct SimulatedClock(AtomicI64);

impl SimulatedClock {
    /// A clock that stands at an instant.
    pub fn at(instant: Timestamp) -> Self {
        Self(AtomicI64::new(instant.as_microsecond()))
    }
    /// Moves it forward; it never goes back.
    pub fn advance_to(&self, instant: Timestamp) {
        self.0.fetch_max(instant.as_microsecond(), Ordering::SeqCst);
    }
}

impl Clock for SimulatedClock {
    fn now(&self) -> Timestamp {
        Timestamp::from_microsecond(self.0.load(Ordering::SeqCst)).unwrap_or(Timestamp::UNIX_EPOCH)
    }
}
