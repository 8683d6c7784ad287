//! What a device knows of time: its own clocks, and the last time that the service told it.
//!
//! The clock on the wall may be set by anybody; the time since the device started may not. How old knowledge is follows
//! from the latter alone, and whatever cannot be proven is not assumed. Nothing here reads a clock.

use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// An instant as the device's own clocks show it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Moment {
    /// The clock on the wall.
    pub wall: Timestamp,
    /// Names the time since the device last started.
    pub boot: Uuid,
    /// Milliseconds since then.
    pub monotonic_ms: u64,
}

/// The last time that the service told the device what time it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Contact {
    /// What it told.
    pub server_time: Timestamp,
    /// When the device had asked: never later than when the service looked at its clock.
    pub asked: Moment,
}

/// The present, as far as the device knows it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Present {
    /// Not later than this by the service's clock.
    Proven(Timestamp),
    /// A guess that proves nothing, and why.
    Guessed(Timestamp, Doubt),
}

/// Why the present is not known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Doubt {
    /// The device has never heard from the service.
    NeverInContact,
    /// It was restarted since.
    Restarted,
    /// Its clocks went backwards.
    WentBackwards,
}

impl Doubt {
    /// For the person at the clamp.
    pub const fn detail(self) -> &'static str {
        match self {
            Self::NeverInContact => "This device has never heard from the service: synchronise it.",
            Self::Restarted => {
                "This device was restarted since it last heard from the service, so that how old its knowledge is cannot be proven: synchronise it."
            }
            Self::WentBackwards => {
                "A clock of this device went backwards, so that how old its knowledge is cannot be proven: synchronise it."
            }
        }
    }
}

impl Present {
    /// The instant.
    pub const fn at(self) -> Timestamp {
        match self {
            Self::Proven(at) | Self::Guessed(at, _) => at,
        }
    }
    /// Why it is not known.
    pub const fn doubt(self) -> Option<Doubt> {
        match self {
            Self::Proven(_) => None,
            Self::Guessed(_, doubt) => Some(doubt),
        }
    }
}

/// The present. `latest` is the last moment that the device wrote down.
///
/// The longer of the two clocks counts: one that stood still while the device slept would make knowledge younger than
/// it is.
pub fn present(now: &Moment, contact: Option<&Contact>, latest: Option<&Moment>) -> Present {
    let Some(contact) = contact else {
        return Present::Guessed(now.wall, Doubt::NeverInContact);
    };
    let by_wall = later(contact.server_time, now.wall.duration_since(contact.asked.wall));
    let guess = by_wall.max(contact.server_time);
    if contact.asked.boot != now.boot {
        return Present::Guessed(guess, Doubt::Restarted);
    }
    let rewound = latest
        .filter(|latest| latest.boot == now.boot)
        .is_some_and(|latest| now.monotonic_ms < latest.monotonic_ms);
    let Some(elapsed) = now.monotonic_ms.checked_sub(contact.asked.monotonic_ms) else {
        return Present::Guessed(guess, Doubt::WentBackwards);
    };
    if rewound {
        return Present::Guessed(guess, Doubt::WentBackwards);
    }
    let elapsed = SignedDuration::from_millis(i64::try_from(elapsed).unwrap_or(i64::MAX));
    Present::Proven(later(contact.server_time, elapsed).max(guess))
}

/// An instant moved by a duration; the end of time if it lies beyond.
pub(crate) fn later(at: Timestamp, by: SignedDuration) -> Timestamp {
    at.checked_add(by).unwrap_or(Timestamp::MAX)
}

/// Reads the clocks, and waits. The binary has the only one that is real.
pub trait Clock {
    /// Now.
    fn moment(&self) -> Moment;
    /// Lets time pass.
    fn wait(&self, milliseconds: u64);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn moment(wall: &str, boot: u128, monotonic_ms: u64) -> Moment {
        Moment {
            wall: wall.parse().unwrap(),
            boot: Uuid::from_u128(boot),
            monotonic_ms,
        }
    }
    fn contact() -> Contact {
        Contact {
            server_time: "2026-03-01T12:00:00Z".parse().unwrap(),
            asked: moment("2026-03-04T12:00:00Z", 1, 1_000_000),
        }
    }
    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    #[test]
    fn a_clock_that_is_three_days_ahead_all_the_time_does_not_matter() {
        let now = moment("2026-03-04T13:00:00Z", 1, 4_600_000);
        assert_eq!(
            present(&now, Some(&contact()), None),
            Present::Proven(at("2026-03-01T13:00:00Z"))
        );
    }

    #[test]
    fn a_clock_that_is_set_back_while_offline_makes_nothing_younger() {
        let now = moment("2026-03-02T00:00:00Z", 1, 4_600_000);
        assert_eq!(
            present(&now, Some(&contact()), None),
            Present::Proven(at("2026-03-01T13:00:00Z"))
        );
    }

    #[test]
    fn a_monotonic_clock_that_slept_does_not_make_knowledge_younger_than_the_wall_says() {
        let now = moment("2026-03-05T12:00:00Z", 1, 1_000_001);
        assert_eq!(
            present(&now, Some(&contact()), None),
            Present::Proven(at("2026-03-02T12:00:00Z"))
        );
    }

    #[test]
    fn after_a_restart_without_contact_nothing_is_proven() {
        let now = moment("2026-03-04T12:01:00Z", 2, 10);
        let present = present(&now, Some(&contact()), None);
        assert_eq!(
            present,
            Present::Guessed(at("2026-03-01T12:01:00Z"), Doubt::Restarted)
        );
        // Set back before the contact, the guess is still not before it.
        let now = moment("2020-01-01T00:00:00Z", 2, 10);
        assert_eq!(
            super::present(&now, Some(&contact()), None).at(),
            contact().server_time
        );
    }

    #[test]
    fn a_monotonic_clock_that_went_backwards_proves_nothing() {
        let before = moment("2026-03-04T12:01:00Z", 1, 999_999);
        assert_eq!(
            present(&before, Some(&contact()), None).doubt(),
            Some(Doubt::WentBackwards)
        );
        let now = moment("2026-03-04T12:01:00Z", 1, 1_060_000);
        let latest = moment("2026-03-04T14:01:00Z", 1, 8_060_000);
        assert_eq!(
            present(&now, Some(&contact()), Some(&latest)).doubt(),
            Some(Doubt::WentBackwards)
        );
        assert_eq!(present(&now, None, None).doubt(), Some(Doubt::NeverInContact));
    }
}
