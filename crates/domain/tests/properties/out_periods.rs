//! The stored periods of a clamp say at any instant what the entries that act by then say.
//!
//! Method: random histories in any order of arrival; the periods are compared with a fold of exactly those entries that
//! act at an instant, asked at random instants, at every bound of a period and just before it.

use crate::cases;
use crate::random::{case, instant};
use clampward_domain::acting::acting_at;
use clampward_domain::entry::Entry;
use clampward_domain::fold::{ClampState, Evidence, fold};
use clampward_domain::ids::{ClampId, YardId};
use clampward_domain::out_period::{OutKind, OutPeriod, after, follows, kind, whole};
use clampward_domain::particulars::particulars;
use clampward_domain::reference::Reference;
use clampward_domain::standing::standing;
use jiff::{Timestamp, ToSpan};
use proptest::prelude::*;

type Said = (OutKind, Vec<String>, Vec<YardId>, Option<rust_decimal::Decimal>);

/// What a fold of the entries that act at the instant says.
fn asked(clamp: ClampId, entries: &[Entry], reference: &Reference, at: Timestamp) -> Option<Said> {
    let state = fold(clamp, &acting_at(entries.to_vec(), at), reference);
    let now = standing(&state, reference, at);
    let known = particulars(&state, reference, at)?;
    let kind = kind(&now)?;
    let mut reasons: Vec<String> = now
        .reasons
        .iter()
        .filter(|reason| kind != OutKind::TaggedOut || reason.lockout_id.is_some())
        .map(|reason| match reason.lockout_id {
            Some(id) => state.lockouts[&id].what().to_owned(),
            None => reason.code.code().to_owned(),
        })
        .collect();
    reasons.sort();
    reasons.dedup();
    Some((kind, reasons, state.yards(), known.wll.map(|wll| wll.kilograms())))
}

fn stored(periods: &[OutPeriod], at: Timestamp) -> Option<Said> {
    let mut covering = periods.iter().filter(|period| period.covers(at));
    let found = covering.next()?;
    assert_eq!(covering.next(), None, "two periods at {at}");
    Some((
        found.kind,
        found.reasons.clone(),
        found.yards.clone(),
        found.wll_kg,
    ))
}

proptest! {
    #![proptest_config(cases(500))]

    #[test]
    fn periods_say_what_the_entries_say_at_any_instant(
        (case, minutes) in (case(), prop::collection::vec(0u32..1_400_000, 8))
    ) {
        let reference = &case.world.reference;
        let periods = whole(case.clamp, &case.entries, reference);
        let mut instants: Vec<Timestamp> = minutes.into_iter().map(instant).collect();
        for period in &periods {
            for bound in [Some(period.starts_at), period.ends_at].into_iter().flatten() {
                instants.extend([bound, bound - 1.microseconds()]);
            }
        }
        for at in instants {
            prop_assert_eq!(
                stored(&periods, at),
                asked(case.clamp, &case.entries, reference, at),
                "at {}", at
            );
        }
    }

    #[test]
    fn periods_kept_up_one_entry_at_a_time_equal_those_of_the_whole_history(case in case()) {
        let reference = &case.world.reference;
        let mut ordered = case.entries.clone();
        ordered.sort_by_key(Entry::order);
        ordered.dedup_by_key(|entry| entry.id);
        let mut state = ClampState::new(case.clamp);
        let mut evidence = Evidence::new();
        let mut kept: Vec<OutPeriod> = Vec::new();
        for (index, entry) in ordered.iter().enumerate() {
            evidence.insert(entry.id, entry.clone());
            // What changes the meaning of entries before it has everything computed anew, as in the store.
            if !state.can_apply(entry) || !follows(&state, entry) {
                let so_far = &ordered[..=index];
                state = fold(case.clamp, so_far, reference);
                kept = whole(case.clamp, so_far, reference);
                continue;
            }
            state.apply(entry, &evidence, reference);
            let from = entry.counted_at;
            kept.retain(|period| period.starts_at < from);
            for period in kept.iter_mut().filter(|period| period.foreseen) {
                period.foreseen = false;
                period.ends_at = period.ends_at.map_or(Some(from), |end| Some(end.min(from)));
            }
            kept.extend(after(&state, reference, from));
        }
        prop_assert_eq!(kept, whole(case.clamp, &ordered, reference));
    }
}
