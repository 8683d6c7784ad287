//! Serial numbers: one maker's number names one clamp, for ever. Who breaks that is refused where they can still do
//! otherwise; where it happened, both clamps are barred until a person says which is which.

use super::subject::Subject;
use super::types::NewEntry;
use clampward_domain::entry::{Amended, Body, Entry, TaggedOut};
use clampward_domain::fold::ClampState;
use clampward_domain::ids::{ClampId, EntryId, derived_entry_id};
use clampward_domain::mark::exact_key;
use clampward_domain::reference::Reference;
use clampward_domain::words::{AmendmentField, LockoutReason};
use jiff::Timestamp;
use std::collections::{BTreeMap, BTreeSet};

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

/// Claims the numbers that `entry` gives its clamp, for ever, and answers the other clamps that ever bore one of them,
/// retired ones among them. Called with the entry taken up.
pub(super) fn claim(
    new: &NewEntry,
    subjects: &mut BTreeMap<ClampId, Subject>,
    reference: &Reference,
    at: Timestamp,
) -> Vec<ClampId> {
    if !gives_number(&new.body) {
        return Vec::new();
    }
    let Some(subject) = subjects.get_mut(&new.clamp_id) else {
        return Vec::new();
    };
    let claimed = given(new, &subject.state, reference, at);
    subject.numbers.extend(claimed.iter().cloned());
    subjects
        .values()
        .filter(|other| other.clamp != new.clamp_id)
        .filter(|other| !other.numbers.is_disjoint(&claimed))
        .map(|other| other.clamp)
        .collect()
}

/// The number that the clamp bears now, and the one that the entry names, where a later word hides it.
fn given(
    new: &NewEntry,
    state: &ClampState,
    reference: &Reference,
    at: Timestamp,
) -> BTreeSet<(String, String)> {
    let named_model = new.named_model().map(|(_, model)| model);
    let makers: BTreeSet<String> = [state.model_id(), named_model]
        .into_iter()
        .flatten()
        .filter_map(|model| reference.model_at(model, at))
        .map(|version| exact_key(&version.value.maker))
        .collect();
    let serials: BTreeSet<String> = [state.serial_number(), named_serial(&new.body)]
        .into_iter()
        .flatten()
        .map(|serial| exact_key(&serial))
        .collect();
    makers
        .iter()
        .flat_map(|maker| serials.iter().map(|serial| (maker.clone(), serial.clone())))
        .collect()
}

/// The serial number that a body itself names.
pub(super) fn named_serial(body: &Body) -> Option<String> {
    match body {
        Body::Registered(body) => body.serial_number.clone(),
        Body::Amended(Amended {
            field: AmendmentField::SerialNumber,
            value,
            ..
        }) => value.as_str().map(str::to_owned),
        Body::Amended(_)
        | Body::Inspected(_)
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
        | Body::Reassessed(_) => None,
    }
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
