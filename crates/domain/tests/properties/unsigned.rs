//! What nobody signed for restricts and does nothing else: taking any such entry away never makes a clamp less fit, gives it
//! no other mark, hides it from no yard and takes it off no list of those that bear its mark. A clamp of which nobody signed
//! for anything is never fit.

use crate::cases;
use crate::random::{Case, case, instant};
use clampward_domain::entry::{Body, Entry};
use clampward_domain::fold::fold;
use clampward_domain::standing::standing;
use proptest::prelude::*;

/// A random clamp one of whose entries, not its first, nobody signed for; where that one is among them.
fn with_one_unsigned() -> impl Strategy<Value = (Case, usize)> {
    (case(), any::<prop::sample::Index>()).prop_map(|(mut case, index)| {
        let index = index.index(case.entries.len());
        let is_first = |entry: &Entry| matches!(entry.body, Body::Registered(_));
        if !is_first(&case.entries[index]) {
            case.entries[index].signed = false;
        }
        (case, index)
    })
}

proptest! {
    #![proptest_config(cases(1_000))]

    #[test]
    fn without_what_nobody_signed_a_clamp_is_as_fit_or_fitter((case, index) in with_one_unsigned(), minutes in prop::array::uniform4(0u32..900_000)) {
        let unsigned = &case.entries[index];
        if unsigned.may_count() {
            return Ok(());
        }
        let reference = &case.world.reference;
        let without: Vec<Entry> = case.entries.iter().filter(|entry| entry.id != unsigned.id).cloned().collect();
        let (with, without) = (fold(case.clamp, &case.entries, reference), fold(case.clamp, &without, reference));
        prop_assert_eq!(with.asset_mark(), without.asset_mark());
        prop_assert_eq!(with.serial_number(), without.serial_number());
        prop_assert_eq!(with.retirement(), without.retirement());
        for yard in without.yards() {
            prop_assert!(with.yards().contains(&yard), "hidden from {} by {:?}", yard, unsigned);
        }
        let last = with.last.unwrap().0;
        for asked in minutes.map(instant).into_iter().chain([last]) {
            let asked = asked.max(last);
            if standing(&with, reference, asked).fit {
                let reasons = standing(&without, reference, asked).reasons;
                prop_assert!(reasons.is_empty(), "at {} freed from {:?} by {:?}", asked, reasons, unsigned);
            }
        }
    }

    #[test]
    fn a_clamp_of_which_nobody_signed_for_anything_is_never_fit(mut case in case(), minutes in prop::array::uniform4(0u32..900_000)) {
        for entry in &mut case.entries {
            entry.signed = false;
        }
        let state = fold(case.clamp, &case.entries, &case.world.reference);
        for asked in minutes.map(instant) {
            prop_assert!(!standing(&state, &case.world.reference, asked).fit, "fit at {asked}");
        }
    }
}
