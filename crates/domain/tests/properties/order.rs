//! The state depends on the set of entries only.

use crate::cases;
use crate::random::{Case, case};
use clampward_domain::entry::Entry;
use clampward_domain::fold::fold;
use clampward_domain::ids::ClampId;
use proptest::prelude::*;

/// A random clamp, and its entries shuffled with some of them given twice.
fn shuffled() -> impl Strategy<Value = (Case, Vec<Entry>)> {
    case().prop_flat_map(|case| {
        let doubled: Vec<Entry> = case
            .entries
            .iter()
            .chain(case.entries.iter().step_by(3))
            .cloned()
            .collect();
        (Just(case), Just(doubled).prop_shuffle())
    })
}

proptest! {
    #![proptest_config(cases(1_500))]

    #[test]
    fn any_order_and_any_repetition_give_the_same_state((case, shuffled) in shuffled()) {
        let reference = &case.world.reference;
        prop_assert_eq!(
            fold(case.clamp, &case.entries, reference),
            fold(case.clamp, &shuffled, reference)
        );
    }

    #[test]
    fn entries_of_other_clamps_do_not_matter((case, others) in (case(), case())) {
        let reference = &case.world.reference;
        let other: ClampId = crate::support::id("another clamp");
        let mut all = case.entries.clone();
        all.extend(others.entries.into_iter().map(|mut entry| {
            entry.clamp_id = other;
            entry.id = clampward_domain::ids::derived_entry_id(&[&entry.id.to_string()]);
            entry
        }));
        prop_assert_eq!(fold(case.clamp, &case.entries, reference), fold(case.clamp, &all, reference));
    }
}
