//! From when an entry acts: most at their own time, a later word on another entry at the time of that one.
//!
//! Amendments act at the time of what they amend, and so does the second person's word on one; returns act at their
//! own. What was true at an instant follows from the entries that act by then.

use crate::entry::{Body, Entry};
use crate::ids::EntryId;
use jiff::Timestamp;
use std::collections::BTreeMap;

/// From when each entry of a set acts.
pub fn acting_times(entries: &[Entry]) -> BTreeMap<EntryId, Timestamp> {
    let told: BTreeMap<EntryId, (Timestamp, Option<EntryId>)> = entries
        .iter()
        .map(|entry| (entry.id, (entry.counted_at, corrects(entry))))
        .collect();
    told.iter()
        .map(|(id, (own, _))| (*id, acts_from(*id, *own, &told)))
        .collect()
}

/// The entries that act at an instant.
pub fn acting_at(entries: Vec<Entry>, at: Timestamp) -> Vec<Entry> {
    let times = acting_times(&entries);
    entries
        .into_iter()
        .filter(|entry| times.get(&entry.id).is_some_and(|from| *from <= at))
        .collect()
}

/// What an entry is a later word on.
pub fn corrects(entry: &Entry) -> Option<EntryId> {
    match &entry.body {
        Body::Amended(amended) => Some(amended.cites),
        Body::Confirmed(confirmed) => Some(confirmed.confirms),
        Body::Registered(_)
        | Body::Inspected(_)
        | Body::TaggedOut(_)
        | Body::Repaired(_)
        | Body::ProofTested(_)
        | Body::ReturnedToService(_)
        | Body::Transferred(_)
        | Body::Issued(_)
        | Body::Received(_)
        | Body::Classified(_)
        | Body::Used(_)
        | Body::Retired(_)
        | Body::Reassessed(_) => None,
    }
}

/// Its own time, or that of what it is a word on. Citations are followed as far as there are entries, so that a circle
/// ends too.
fn acts_from(
    id: EntryId,
    own: Timestamp,
    told: &BTreeMap<EntryId, (Timestamp, Option<EntryId>)>,
) -> Timestamp {
    let mut at = id;
    let mut from = own;
    for _ in 0..told.len() {
        match told
            .get(&at)
            .and_then(|(_, cited)| *cited)
            .and_then(|cited| told.get(&cited).map(|(time, _)| (cited, *time)))
        {
            Some((cited, time)) => {
                from = time;
                at = cited;
            }
            None => break,
        }
    }
    from
}
