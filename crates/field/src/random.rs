//! Randomness is handed in: the binary has the only source that is real.

use crate::failure::Done;
use jiff::Timestamp;
use uuid::{Builder, Uuid};

/// A source of random bytes.
pub trait Random {
    /// Fills all of it.
    fn fill(&self, bytes: &mut [u8]) -> Done;
}

/// Random bytes of a fixed number.
pub fn bytes<const N: usize>(random: &dyn Random) -> Done<[u8; N]> {
    let mut bytes = [0; N];
    random.fill(&mut bytes)?;
    Ok(bytes)
}

/// A new time-ordered id (UUID version 7).
pub fn id(random: &dyn Random, now: Timestamp) -> Done<Uuid> {
    let milliseconds = u64::try_from(now.as_millisecond()).unwrap_or(0);
    Ok(Builder::from_unix_timestamp_millis(milliseconds, &bytes::<10>(random)?).into_uuid())
}
