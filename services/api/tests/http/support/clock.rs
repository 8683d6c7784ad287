//! A clock that stands until it is moved.

use clampward_store::Clock;
use jiff::{SignedDuration, Timestamp};
use std::sync::Mutex;

/// A clock in the test's hand.
pub struct ManualClock(Mutex<Timestamp>);

impl ManualClock {
    pub fn at(text: &str) -> Self {
        Self(Mutex::new(text.parse().expect("an instant")))
    }
    pub fn advance(&self, by: SignedDuration) {
        *self.0.lock().expect("unpoisoned") += by;
    }
}

impl Clock for ManualClock {
    fn now(&self) -> Timestamp {
        *self.0.lock().expect("unpoisoned")
    }
}
