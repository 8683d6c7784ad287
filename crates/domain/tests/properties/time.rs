//! `fit_until` is the first instant at which the same knowledge says "not fit".

use crate::cases;
use crate::random::{case, instant};
use clampward_domain::fold::fold;
use clampward_domain::standing::standing;
use jiff::ToSpan;
use proptest::prelude::*;

proptest! {
    #![proptest_config(cases(1_000))]

    #[test]
    fn fit_until_agrees_with_asking_day_by_day((case, minute) in (case(), 0u32..900_000)) {
        let reference = &case.world.reference;
        let state = fold(case.clamp, &case.entries, reference);
        let at = state.last.unwrap().0.max(instant(minute));
        let now = standing(&state, reference, at);
        if !now.fit {
            prop_assert_eq!(now.fit_until, None);
            return Ok(());
        }
        let horizon = at + (24 * 800).hours();
        let end = now.fit_until.unwrap_or(horizon).min(horizon);
        let mut asked = at;
        while asked < end {
            prop_assert!(standing(&state, reference, asked).fit, "not fit at {} although fit until {}", asked, end);
            asked += (24 * 9 + 5).hours();
        }
        if now.fit_until.is_some_and(|until| until < horizon) {
            let before = end - 1.microseconds();
            prop_assert!(before < at || standing(&state, reference, before).fit, "not fit just before {}", end);
            let then = standing(&state, reference, end);
            prop_assert!(!then.fit, "still fit at {}", end);
            let reason = then.reasons.first().unwrap();
            prop_assert!(reason.since.is_none_or(|since| since <= end));
        }
    }

    #[test]
    fn before_it_was_registered_a_clamp_is_not_fit((case, minutes) in (case(), 1i64..1_000_000)) {
        let state = fold(case.clamp, &case.entries, &case.world.reference);
        let registered = state.registration.as_ref().unwrap().at;
        prop_assert!(!standing(&state, &case.world.reference, registered - minutes.minutes()).fit);
    }
}
