//! Histories on which a property failed or would have failed, each with its rule.

use crate::incremental::Shelf;
use crate::support::{History, World, at, release};
use clampward_domain::words::{ExceptionalReason, Ground, LockoutReason};

/// One at a time, in the order in which they were written, the entries come to what the whole set comes to.
fn agrees(clamp: &History) {
    let mut shelf = Shelf::new(&clamp.world, clamp.clamp);
    clamp.entries.iter().for_each(|entry| shelf.record(entry));
    assert_eq!(shelf.whole(), clamp.state());
}

#[test]
fn a_return_whose_inspection_counts_later_closes_at_the_time_of_the_inspection() {
    let mut clamp = History::in_service(World::new(), "houston");
    let dropped = clamp.tagged_out("2025-01-10T15:00Z", "operator", LockoutReason::Dropped);
    let mut fit = release(dropped, Ground::InspectedFit);
    let returned = clamp.returned("2025-01-12T15:00Z", "lead", Vec::new());
    let inspection = clamp.inspected_for(
        "2025-01-12T15:04Z",
        "inspector",
        ExceptionalReason::Drop,
        &[dropped],
    );
    fit.inspection_entry = Some(inspection);
    clamp.releases_mut(returned).push(fit);
    agrees(&clamp);
    let closing = clamp.state().lockouts[&dropped].closed.clone().unwrap();
    assert_eq!(
        (closing.by_entry, closing.at),
        (returned, at("2025-01-12T15:04Z"))
    );
    // What was lifted meanwhile was lifted with a barred clamp, whenever that becomes known.
    clamp.used("2025-01-12T15:01Z", "2025-01-12T15:03Z", |_| {});
    agrees(&clamp);
    assert_eq!(clamp.open(), ["used_while_not_fit"]);
}
