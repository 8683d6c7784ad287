//! The system's clock, for the binary. Everything else takes the time from whoever asks.

use clampward_store::Clock;
use jiff::Timestamp;

/// Reads the system's clock.
#[derive(Clone, Copy, Debug, Default)]
pub struct SystemClock;

impl Clock for SystemClock {
    #[expect(
        clippy::disallowed_methods,
        reason = "this is the one place where the binary reads the clock"
    )]
    fn now(&self) -> Timestamp {
        Timestamp::now()
    }
}
