//! When something that failed is tried again.

use jiff::{SignedDuration, Timestamp};
use std::hash::{BuildHasher, RandomState};

/// Waits after the first attempts; later ones wait as long as the last of them.
const WAITS: [SignedDuration; 6] = [
    SignedDuration::from_secs(5),
    SignedDuration::from_secs(30),
    SignedDuration::from_mins(2),
    SignedDuration::from_mins(10),
    SignedDuration::from_mins(30),
    SignedDuration::from_hours(1),
];
/// After how long a mail is given up.
pub const GIVES_UP_AFTER: SignedDuration = SignedDuration::from_hours(7 * 24);

/// When a mail that was put together at `made_at` is tried again after so many attempts; never, if that is too long ago.
/// The waits differ by a fifth, so that what failed together is not tried together.
pub fn next_try(made_at: Timestamp, attempts: u32, now: Timestamp) -> Option<Timestamp> {
    if now.duration_since(made_at) >= GIVES_UP_AFTER {
        return None;
    }
    let index = usize::try_from(attempts.saturating_sub(1)).unwrap_or(usize::MAX);
    let wait = WAITS.get(index).or(WAITS.last()).copied().unwrap_or_default();
    let random = i32::try_from(RandomState::new().hash_one(attempts) % 401).unwrap_or(200);
    // From four fifths to six fifths.
    let thousandths = random.saturating_add(800);
    now.checked_add(wait.saturating_mul(thousandths) / 1000).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_grow_to_an_hour_and_end_after_a_week() {
        let made: Timestamp = "2026-03-02T08:00:00Z".parse().unwrap();
        for (attempts, seconds) in [(1, 5), (2, 30), (6, 3600), (60, 3600), (u32::MAX, 3600)] {
            let wait = next_try(made, attempts, made).unwrap().duration_since(made);
            let usual = SignedDuration::from_secs(seconds);
            assert!(
                wait >= usual * 4 / 5 && wait <= usual * 6 / 5,
                "{attempts}: {wait}"
            );
        }
        let later = made + GIVES_UP_AFTER;
        assert_eq!(next_try(made, 3, later), None);
        assert!(next_try(made, 3, later - SignedDuration::from_secs(1)).is_some());
    }
}
