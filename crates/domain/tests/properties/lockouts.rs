//! Lock-outs close only by name and with support, and nothing else makes a barred clamp fit.

use crate::cases;
use crate::random::{case, instant};
use crate::support::{History, World};
use clampward_domain::entry::{Body, Entry, TaggedOut};
use clampward_domain::fold::fold;
use clampward_domain::lockout::Closing;
use clampward_domain::projection::Projection;
use clampward_domain::standing::standing;
use clampward_domain::words::{LockoutReason, Status};
use proptest::prelude::*;

/// Later than everything in a random history.
const LATER: u32 = 1_200_000;

proptest! {
    #![proptest_config(cases(900))]

    #[test]
    fn what_is_closed_was_named_by_a_signed_return(case in case()) {
        let state = fold(case.clamp, &case.entries, &case.world.reference);
        for lockout in state.lockouts.values() {
            let Some(closing) = &lockout.closed else { continue };
            let entry = case.entries.iter().find(|entry| entry.id == closing.by_entry).unwrap();
            let Body::ReturnedToService(returned) = &entry.body else {
                return Err(TestCaseError::fail("closed by something else than a return"));
            };
            prop_assert!(returned.releases.iter().any(|release| release.lockout_id == lockout.id && release.ground == closing.ground));
            prop_assert!(entry.signed && !entry.placed);
            prop_assert!(closing.at >= lockout.opened_at && closing.at >= entry.counted_at);
            prop_assert_eq!(closing.by, entry.performed_by);
        }
    }

    #[test]
    fn without_returns_nothing_closes_and_a_barred_clamp_stays_barred(case in case()) {
        let entries: Vec<Entry> = case.entries.iter().filter(|entry| !matches!(entry.body, Body::ReturnedToService(_))).cloned().collect();
        let mut barred = std::collections::BTreeSet::new();
        for count in 1..=entries.len() {
            let state = fold(case.clamp, &entries[..count], &case.world.reference);
            prop_assert!(state.lockouts.values().all(clampward_domain::lockout::Lockout::is_open));
            let open: std::collections::BTreeSet<_> = state.lockouts.keys().copied().collect();
            prop_assert!(open.is_superset(&barred), "a lock-out vanished");
            let now = standing(&state, &case.world.reference, instant(LATER));
            prop_assert!(open.is_empty() || !now.fit);
            barred = open;
        }
    }

    #[test]
    fn a_tag_out_that_nobody_names_bars_whenever_it_arrives(
        (case, minute) in (case(), 0u32..LATER)
    ) {
        let mut entries = case.entries.clone();
        let mut tag = entries[0].clone();
        tag.id = clampward_domain::ids::derived_entry_id(&["late"]);
        tag.counted_at = instant(minute);
        (tag.signed, tag.placed) = (false, true);
        tag.body = Body::TaggedOut(TaggedOut { reason: LockoutReason::Precaution, note: None, photos: Vec::new(), bulletin: None, lift_check: None });
        entries.push(tag);
        let state = fold(case.clamp, &entries, &case.world.reference);
        let then = standing(&state, &case.world.reference, instant(LATER));
        prop_assert!(!then.fit);
        prop_assert!(matches!(then.status, Status::TaggedOut | Status::Retired));
    }

    #[test]
    fn the_projection_never_says_fit_past_an_open_lock_out((case, minute) in (case(), 0u32..LATER)) {
        let reference = &case.world.reference;
        let state = fold(case.clamp, &case.entries, reference);
        let last = state.last.unwrap().0;
        let at = last.max(instant(minute));
        let projection = Projection::of(&state, reference, at);
        let earliest = state.lockouts.values().filter(|lockout| lockout.is_open()).map(|lockout| lockout.bars_from).min();
        prop_assert_eq!(projection.bars_from, earliest);
        if let (Some(fit_until), Some(bars_from)) = (projection.fit_until, earliest) {
            prop_assert!(fit_until <= bars_from);
        }
        prop_assert_eq!(projection.fit_until.is_some(), standing(&state, reference, at).fit);
    }
}

#[test]
fn random_histories_close_lock_outs_and_end_fit_often_enough_to_mean_something() {
    // A property about closings says nothing where nothing closes.
    use proptest::strategy::ValueTree;
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let (mut closed, mut fit, mut waiting, mut late) = (0, 0, 0, 0);
    for _ in 0..200 {
        let case = case().new_tree(&mut runner).unwrap().current();
        let state = fold(case.clamp, &case.entries, &case.world.reference);
        closed += usize::from(state.lockouts.values().any(|lockout| !lockout.is_open()));
        fit += usize::from(standing(&state, &case.world.reference, state.last.unwrap().0).fit);
        late += usize::from(state.lockouts.values().any(|lockout| {
            let returned = |closing: &Closing| {
                case.entries
                    .iter()
                    .find(|entry| entry.id == closing.by_entry)
                    .unwrap()
            };
            lockout
                .closed
                .as_ref()
                .is_some_and(|closing| closing.at > returned(closing).counted_at)
        }));
        waiting += usize::from(!state.waiting.is_empty());
    }
    let counted = format!("{closed} closed, {late} of them late, {fit} fit, {waiting} waiting of 200");
    assert!(closed > 40 && fit > 15 && waiting > 40 && late > 5, "{counted}");
    assert!(History::in_service(World::new(), "erie").is_fit("2025-01-04T15:00Z"));
}
