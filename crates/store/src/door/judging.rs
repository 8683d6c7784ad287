//! What the server fixes once when an entry is recorded: when it counts, what it is judged by, whether it is signed.

use super::error::RecordError;
use super::subject::Subject;
use super::types::{Author, FromDevice, Mode, NewEntry, Signing};
use crate::clock::whole_microseconds;
use clampward_domain::entry::{Body, Classified, Entry, InputError, JudgedBy, Transferred};
use clampward_domain::ids::{EntryId, ModelId, YardId};
use clampward_domain::judge::{Remark, RemarkCode};
use clampward_domain::reference::{Reference, YardScope};
use clampward_domain::rule_set;
use clampward_domain::signing;
use jiff::Timestamp;

/// The entry as it will be recorded. `subject` is the clamp before it.
pub(super) fn fixed(
    new: &NewEntry,
    author: &Author,
    subject: &Subject,
    reference: &Reference,
    mode: Mode,
    now: Timestamp,
) -> Result<Entry, RecordError> {
    let counted_at = whole_microseconds(counted(new, mode, now));
    let judged_by = match &new.judged_by {
        Some(told) => check(new.id, told, reference)?,
        None => in_force(new, &author.yards, subject, reference, counted_at)?,
    };
    // A word from outside the clamp's yards, or from outside the one where it was then, restricts and counts for nothing
    // else, like one that is not signed.
    let is_theirs = !subject.is_from_outside(&author.yards) && author.yards.covers(judged_by.yard_id);
    Ok(Entry {
        id: new.id,
        clamp_id: new.clamp_id,
        performed_at: new.performed_at,
        counted_at,
        performed_by: new.performed_by,
        device_id: author.device,
        judged_by,
        signed: author.signed && author.person == new.performed_by && is_theirs,
        placed: false,
        body: match mode {
            Mode::Refuse => following(&new.body, subject),
            Mode::Record => new.body.clone(),
        },
    })
}

/// The same of an entry that was written on a device, with what its author is told of that.
///
/// It follows from the entry, the device and the reference data, never from what else has arrived of the clamp: what comes
/// of a push is the same in any order. Whether the clamp was in the yard that it was judged by, the fold asks of the whole
/// set. Of `subject` only the registration is read, without which nothing of a clamp is recorded.
pub(super) fn fixed_from_device(
    new: &NewEntry,
    author: &Author,
    subject: &Subject,
    reference: &Reference,
    device: &FromDevice,
    now: Timestamp,
) -> Result<(Entry, Vec<Remark>), RecordError> {
    let mut remarks = Vec::new();
    let mut remark = |code, detail: String| remarks.push(Remark { code, detail });
    let counted_at = whole_microseconds(device.counted_at.min(now));
    if device.corrected {
        let detail = "The device's clock was wrong: what counts is the time that it measured.";
        remark(RemarkCode::ClockCorrected, detail.to_owned());
    }
    let told = match &new.judged_by {
        Some(told) => taken(new, told, reference, device)?,
        None => None,
    };
    let judged_by = match told {
        Some(told) => told,
        None => left_to_us(new, device, subject, reference, (counted_at, now))?,
    };
    if new.judged_by.as_ref().is_some_and(|told| *told != judged_by) {
        let detail = "What the device judged by does not exist, does not fit together or is none of its yards; it was judged by what was in force.";
        remark(RemarkCode::JudgedAnew, detail.to_owned());
    }
    let unsigned = match &device.signing {
        _ if device.placed => Some("A person placed it by hand.".to_owned()),
        _ if device.distrusted.is_some() => device.distrusted.map(str::to_owned),
        Signing::Unsigned(why) => Some(unsigned_because(*why).to_owned()),
        Signing::Key { from, until, .. } if counted_at < *from || counted_at >= *until => {
            Some(unsigned_because(signing::Unsigned::KeyNotLive).to_owned())
        }
        Signing::Key { .. } => signing::is_entitled(
            reference.people.get(&new.performed_by),
            new.body.kind(),
            judged_by.yard_id,
            counted_at,
            now,
        )
        .err()
        .map(|why| unsigned_because(why).to_owned()),
    };
    let signed = unsigned.is_none();
    if let Some(why) = unsigned {
        remark(RemarkCode::NotSigned, why);
    }
    let entry = Entry {
        id: new.id,
        clamp_id: new.clamp_id,
        performed_at: new.performed_at,
        counted_at,
        performed_by: new.performed_by,
        device_id: author.device,
        judged_by,
        signed,
        placed: device.placed,
        body: new.body.clone(),
    };
    Ok((entry, remarks))
}

/// Why an entry is not its author's word, to its author.
pub(crate) const fn unsigned_because(why: signing::Unsigned) -> &'static str {
    use signing::Unsigned;
    match why {
        Unsigned::NoSignature => "It bears no signature.",
        Unsigned::UnknownKey => "Nobody knows the key that its signature names.",
        Unsigned::KeyOfAnother => "The key is another person's.",
        Unsigned::KeyOfAnotherDevice => "The key was made on another device.",
        Unsigned::KeyNotLive => "The key was not this person's on this device when it was written.",
        Unsigned::KeyWithdrawn => "The key was withdrawn: it is done or signed anew.",
        Unsigned::WrongSignature => "The signature does not fit the entry.",
        Unsigned::NotEntitled => "Who did it held no role for that in this yard.",
        Unsigned::NoLongerEntitled => "Who did it holds no role for that in this yard any more.",
    }
}

/// What a device says it judged by, if that is one of its yards with that yard's rules. Versions that nobody knows are an
/// error where nothing is restricted; whatever restricts is judged by what is in force.
fn taken(
    new: &NewEntry,
    told: &JudgedBy,
    reference: &Reference,
    device: &FromDevice,
) -> Result<Option<JudgedBy>, RecordError> {
    match check(new.id, told, reference) {
        Ok(_) => {}
        Err(_) if new.restricts() || device.restricts => return Ok(None),
        Err(error) => return Err(error),
    }
    let own = match &new.body {
        Body::Registered(body) => body.model_id == told.model_id && body.yard_id == told.yard_id,
        _ => device.yards.covers(told.yard_id),
    };
    let rules = reference
        .yards
        .get(&told.yard_id)
        .and_then(|versions| versions.numbered(told.yard_version))
        .is_some_and(|yard| yard.value.rule_set == told.rule_set);
    Ok((own && rules).then(|| told.clone()))
}

/// What an entry is judged by whose device told nothing that can be taken: the registered model and, of the device's
/// yards, the one that it told, the registered one, or the only one in which its author may write so.
fn left_to_us(
    new: &NewEntry,
    device: &FromDevice,
    subject: &Subject,
    reference: &Reference,
    (counted_at, now): (Timestamp, Timestamp),
) -> Result<JudgedBy, RecordError> {
    let registered = match &new.body {
        Body::Registered(body) => Some((body.yard_id, body.model_id)),
        _ => subject
            .state
            .registration
            .as_ref()
            .map(|registration| (registration.body.yard_id, registration.body.model_id)),
    };
    let Some((registered_in, model)) = registered else {
        return in_force(new, &device.yards, subject, reference, counted_at);
    };
    let told = new.judged_by.as_ref().map(|told| told.yard_id);
    let author = reference.people.get(&new.performed_by);
    let is_theirs = |yard: &YardId| {
        device.yards.covers(*yard)
            && signing::is_entitled(author, new.body.kind(), *yard, counted_at, now).is_ok()
    };
    let yard = match (&new.body, told) {
        (Body::Registered(_), _) => registered_in,
        (_, Some(told)) if device.yards.covers(told) && reference.yards.contains_key(&told) => told,
        _ if is_theirs(&registered_in) => registered_in,
        _ => {
            let mut theirs = reference.yards.keys().copied().filter(is_theirs);
            match (theirs.next(), theirs.next()) {
                (Some(only), None) => only,
                _ => registered_in,
            }
        }
    };
    judged_by(Some(yard), Some(model), reference, counted_at).map_err(|error| RecordError::Malformed {
        entry: new.id,
        errors: vec![error],
    })
}

/// When an entry counts as having happened; the told time is kept beside it.
fn counted(new: &NewEntry, mode: Mode, now: Timestamp) -> Timestamp {
    match mode {
        // Whoever is online does it now: a told time would only free what was barred meanwhile.
        Mode::Refuse if signing::may_free(new.body.kind()) => now,
        // A time ahead of ours never counts as told.
        Mode::Refuse | Mode::Record => new.performed_at.min(now),
    }
}

/// The body with the predecessor named, where its author is online and so follows what stands now. What was pushed
/// named what its author knew, and stands beside where it named nothing.
fn following(body: &Body, subject: &Subject) -> Body {
    let mut body = body.clone();
    if predecessor(&body) == Some(None) {
        let standing = match &body {
            Body::Transferred(_) => subject.state.places.only().map(|(entry, _)| entry),
            _ => subject.state.classes.only().map(|(entry, _)| entry),
        };
        name_predecessor(&mut body, standing);
    }
    body
}

/// The entry that a body replaces, for the kinds that replace one.
pub(super) fn predecessor(body: &Body) -> Option<Option<EntryId>> {
    match body {
        Body::Transferred(body) => Some(body.replaces),
        Body::Classified(body) => Some(body.replaces),
        Body::Registered(_)
        | Body::Inspected(_)
        | Body::TaggedOut(_)
        | Body::Repaired(_)
        | Body::ProofTested(_)
        | Body::ReturnedToService(_)
        | Body::Confirmed(_)
        | Body::Issued(_)
        | Body::Received(_)
        | Body::Amended(_)
        | Body::Used(_)
        | Body::Retired(_)
        | Body::Reassessed(_) => None,
    }
}

/// Names the entry that a body replaces, for the kinds that replace one.
pub(super) fn name_predecessor(body: &mut Body, predecessor: Option<EntryId>) {
    if let Body::Transferred(Transferred { replaces, .. }) | Body::Classified(Classified { replaces, .. }) =
        body
    {
        *replaces = predecessor;
    }
}

/// The yard's and model's versions in force when it happened.
fn in_force(
    new: &NewEntry,
    yards: &YardScope,
    subject: &Subject,
    reference: &Reference,
    at: Timestamp,
) -> Result<JudgedBy, RecordError> {
    let (yard, model) = match &new.body {
        Body::Registered(body) => (Some(body.yard_id), Some(body.model_id)),
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
        | Body::Amended(_)
        | Body::Used(_)
        | Body::Retired(_)
        | Body::Reassessed(_) => (subject.yard_for(yards, (at, new.id)), subject.state.model_id()),
    };
    judged_by(yard, model, reference, at).map_err(|error| RecordError::Malformed {
        entry: new.id,
        errors: vec![error],
    })
}

/// What an entry of this yard and model at this instant is judged by.
pub(crate) fn judged_by(
    yard: Option<YardId>,
    model: Option<ModelId>,
    reference: &Reference,
    at: Timestamp,
) -> Result<JudgedBy, InputError> {
    let unknown = |pointer: &str, what: &str| InputError {
        pointer: pointer.to_owned(),
        code: "unknown",
        detail: format!("there is no such {what}"),
    };
    let (yard_id, yard) = yard
        .and_then(|id| reference.yard_at(id, at).map(|version| (id, version)))
        .ok_or_else(|| unknown("/yard_id", "yard"))?;
    let (model_id, model) = model
        .and_then(|id| reference.model_at(id, at).map(|version| (id, version)))
        .ok_or_else(|| unknown("/model_id", "model"))?;
    Ok(JudgedBy {
        yard_id,
        yard_version: yard.version,
        rule_set: yard.value.rule_set,
        rule_set_version: rule_set::current(yard.value.rule_set).version,
        model_id,
        model_version: model.version,
    })
}

/// What a device says it judged by must exist.
pub(super) fn check(entry: EntryId, told: &JudgedBy, reference: &Reference) -> Result<JudgedBy, RecordError> {
    let yard = reference
        .yards
        .get(&told.yard_id)
        .and_then(|versions| versions.numbered(told.yard_version));
    let model = reference
        .models
        .get(&told.model_id)
        .and_then(|versions| versions.numbered(told.model_version));
    let rules = rule_set::rule_set(told.rule_set, told.rule_set_version);
    let faults: Vec<InputError> = [
        (yard.is_none(), "/judged_by/yard_version"),
        (model.is_none(), "/judged_by/model_version"),
        (rules.is_none(), "/judged_by/rule_set_version"),
    ]
    .into_iter()
    .filter(|(missing, _)| *missing)
    .map(|(_, pointer)| InputError {
        pointer: pointer.to_owned(),
        code: "unknown",
        detail: "there is no such version".to_owned(),
    })
    .collect();
    if faults.is_empty() {
        Ok(told.clone())
    } else {
        Err(RecordError::Malformed {
            entry,
            errors: faults,
        })
    }
}
