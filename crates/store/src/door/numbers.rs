//! Serial numbers: one maker's number names one clamp, for ever. Who breaks that is refused where they can still do
//! otherwise; where it happened, both clamps are barred until a person says which is which.

use super::subject::Subject;
use super::types::NewEntry;
use crate::projection;
use clampward_domain::entry::{Amended, Body, Entry, TaggedOut};
use clampward_domain::ids::{ClampId, EntryId, derived_entry_id};
use clampward_domain::reference::Reference;
use clampward_domain::words::{AmendmentField, LockoutReason};
use jiff::Timestamp;
use std::collections::BTreeMap;

/// Whether an entry gives its clamp a number.
fn gives_number(body: &Body) -> bool {
    match body {
        Body::Registered(_) => true,
        Body::Amended(Amended { field, .. }) => {
            matches!(field, AmendmentField::SerialNumber | AmendmentField::ModelId)
        }
        Body::Inspected(_)
        | Body::TaggedOut(_)
        | Body::Repaired(_)
        | Body::ProofTested(_)
        | Body::ReturnedToService(_)
        | Body::Confirmed(_)
        | Body::Transferred(_)
        | Body::Issued(_)
        | Body::Received(_)
        | Body::Classified(_)
        | Body::Used(_)
        | Body::Retired(_)
        | Body::Reassessed(_) => false,
    }
}

/// The other clamps that bear the number which `entry` gives its clamp, retired ones among them. Called with the entry
/// taken up.
pub(super) fn rivals(
    entry: &Entry,
    subjects: &BTreeMap<ClampId, Subject>,
    reference: &Reference,
    at: Timestamp,
) -> Vec<ClampId> {
    if !gives_number(&entry.body) {
        return Vec::new();
    }
    let own = subjects
        .get(&entry.clamp_id)
        .and_then(|subject| projection::number(&subject.state, reference, at));
    let Some(own) = own else { return Vec::new() };
    subjects
        .values()
        .filter(|other| other.clamp != entry.clamp_id)
        .filter(|other| projection::number(&other.state, reference, at).as_ref() == Some(&own))
        .map(|other| other.clamp)
        .collect()
}

/// The tag-outs that follow on every clamp concerned. Their ids are derived, so that a repetition is the same.
pub(super) fn doubts(entry: &Entry, rivals: &[ClampId]) -> Vec<NewEntry> {
    rivals
        .iter()
        .chain(std::iter::once(&entry.clamp_id).filter(|_| !rivals.is_empty()))
        .map(|clamp| NewEntry {
            id: doubt_id(entry.id, *clamp),
            clamp_id: *clamp,
            performed_at: entry.counted_at,
            performed_by: entry.performed_by,
            judged_by: None,
            body: Body::TaggedOut(TaggedOut {
                reason: LockoutReason::NumberInDoubt,
                note: None,
                photos: Vec::new(),
                bulletin: None,
                lift_check: None,
            }),
        })
        .collect()
}

/// The id of the tag-out that follows on a clamp.
fn doubt_id(entry: EntryId, clamp: ClampId) -> EntryId {
    derived_entry_id(&["number_in_doubt", &entry.to_string(), &clamp.to_string()])
}
