//! Reading a push: the envelope strictly, and each element by itself.
//!
//! An element that cannot be read tells what can still be made out of it; what it says is never guessed.

use super::{MAX_ENTRY_BYTES, PushEntry, PushRequest};
use crate::json::{self, ReadError, loose};
use crate::problem::FieldError;
use clampward_domain::entry::{
    Amended, Body, Classified, Confirmed, Inspected, Issued, ProofTested, Received, Registered, Repaired,
    Retired, ReturnedToService, TaggedOut, Transferred, Used, check_body,
};
use clampward_domain::ids::{ClampId, EntryId};
use clampward_domain::mark::check_mark;
use clampward_domain::words::EntryKind;
use serde::de::DeserializeOwned;
use serde_json::Value;
use utoipa::ToSchema;

/// The version of ids that are derived from names.
const DERIVED_VERSION: usize = 5;
/// Most clamps or marks that are looked for in an element that cannot be read.
const MAX_NAMED: usize = 8;

/// A push taken apart: its envelope, without entries, and its elements as they came.
#[derive(Clone, Debug)]
pub struct Parts<'a> {
    /// The envelope.
    pub envelope: PushRequest,
    /// The elements.
    pub elements: Vec<&'a [u8]>,
}

/// Takes a push apart.
pub fn parts(bytes: &[u8]) -> Result<Parts<'_>, ReadError> {
    let list = loose::members(bytes)
        .into_iter()
        .flatten()
        .find(|(name, _)| name == "entries")
        .and_then(|(_, list)| Some((list, loose::items(list)?)));
    let Some((list, elements)) = list else {
        // The strict reader says what is wrong.
        return Ok(Parts {
            envelope: json::read(bytes)?,
            elements: Vec::new(),
        });
    };
    let from = list.as_ptr().addr().saturating_sub(bytes.as_ptr().addr());
    let before = bytes.get(..from).unwrap_or_default();
    let after = bytes.get(from.saturating_add(list.len())..).unwrap_or_default();
    let envelope = [before, b"[]", after].concat();
    Ok(Parts {
        envelope: json::read(&envelope)?,
        elements,
    })
}

/// What can be made out of an element that is no entry.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Unreadable {
    /// Its id.
    pub id: Option<EntryId>,
    /// The device's count.
    pub device_seq: Option<u64>,
    /// Every clamp that it names.
    pub clamps: Vec<ClampId>,
    /// Every mark that it names.
    pub marks: Vec<String>,
    /// Its kind, in its own word.
    pub kind: Option<String>,
    /// What is wrong with it.
    pub errors: Vec<FieldError>,
}

/// An element as it was read.
#[derive(Clone, Debug)]
pub enum ReadEntry {
    /// An entry, with its body.
    Entry(Box<(PushEntry, Body)>),
    /// None.
    Unreadable(Box<Unreadable>),
    /// One of a kind that is not known here.
    UnknownKind(Box<Unreadable>),
}

/// Reads an element.
pub fn read_entry(raw: &[u8]) -> ReadEntry {
    if raw.len() > MAX_ENTRY_BYTES {
        let detail = format!(
            "{} bytes are more than the {MAX_ENTRY_BYTES} of one entry",
            raw.len()
        );
        return unreadable(raw, vec![FieldError::new("", "entry-too-large", detail)]);
    }
    let mut value = match json::parse(raw) {
        Ok(value) => value,
        Err(error) => return unreadable(raw, error.into_errors()),
    };
    if let Some(kind) = value.get("kind").and_then(Value::as_str)
        && EntryKind::from_code(kind).is_none()
    {
        let detail = format!("{kind:?} is no kind that this service knows yet: it is kept until it does");
        let errors = vec![FieldError::new("/kind", "unknown-kind", detail)];
        return ReadEntry::UnknownKind(Box::new(made_out(raw, errors)));
    }
    // Not read twice: what stands in the body is for the type of its kind to say.
    let inner = match value.get_mut("body") {
        Some(Value::Object(inner)) => Some(std::mem::take(inner)),
        Some(_) | None => None,
    };
    let mut entry: PushEntry = match json::from_value(&value) {
        Ok(entry) => entry,
        Err(error) => return unreadable(raw, error.into_errors()),
    };
    if let Some(inner) = inner {
        entry.body = Value::Object(inner);
    }
    match body(&entry) {
        Ok(body) => {
            let errors = faults(&entry, &body);
            if errors.is_empty() {
                ReadEntry::Entry(Box::new((entry, body)))
            } else {
                unreadable(raw, errors)
            }
        }
        Err(errors) => unreadable(raw, errors),
    }
}

fn unreadable(raw: &[u8], errors: Vec<FieldError>) -> ReadEntry {
    ReadEntry::Unreadable(Box::new(made_out(raw, errors)))
}

/// What can be made out of an element whose reading failed altogether.
pub fn made_out(raw: &[u8], errors: Vec<FieldError>) -> Unreadable {
    let members = loose::members(raw).unwrap_or_default();
    let text = |value: &[u8]| serde_json::from_slice::<String>(value).ok();
    let named = |wanted: &'static str| {
        members
            .iter()
            .filter(move |(name, _)| name == wanted)
            .map(|(_, value)| *value)
    };
    let mut ids = named("id").filter_map(text).filter_map(|id| id.parse().ok());
    let mut seqs = named("device_seq").filter_map(|seq| serde_json::from_slice(seq).ok());
    let clamps = named("clamp_id")
        .filter_map(text)
        .filter_map(|id| id.parse().ok());
    let marks = named("mark")
        .filter_map(text)
        .filter(|mark| check_mark(mark).is_ok());
    Unreadable {
        id: ids.next(),
        device_seq: seqs.next().filter(|seq| *seq > 0 && *seq <= json::MAX_INTEGER),
        clamps: clamps.take(MAX_NAMED).collect(),
        marks: marks.take(MAX_NAMED).collect(),
        kind: named("kind")
            .find_map(text)
            .map(|kind| kind.chars().take(40).collect()),
        errors,
    }
}

fn body(entry: &PushEntry) -> Result<Body, Vec<FieldError>> {
    match entry.kind {
        EntryKind::Registered => one::<Registered>(entry),
        EntryKind::Inspected => one::<Inspected>(entry),
        EntryKind::TaggedOut => one::<TaggedOut>(entry),
        EntryKind::Repaired => one::<Repaired>(entry),
        EntryKind::ProofTested => one::<ProofTested>(entry),
        EntryKind::ReturnedToService => one::<ReturnedToService>(entry),
        EntryKind::Confirmed => one::<Confirmed>(entry),
        EntryKind::Transferred => one::<Transferred>(entry),
        EntryKind::Issued => one::<Issued>(entry),
        EntryKind::Received => one::<Received>(entry),
        EntryKind::Classified => one::<Classified>(entry),
        EntryKind::Amended => one::<Amended>(entry),
        EntryKind::Used => one::<Used>(entry),
        EntryKind::Retired => one::<Retired>(entry),
        EntryKind::Reassessed => Err(vec![FieldError::new(
            "/kind",
            "not-a-devices",
            "entries of this kind are written by the service alone",
        )]),
    }
}

fn one<B: DeserializeOwned + ToSchema + Into<Body> + 'static>(
    entry: &PushEntry,
) -> Result<Body, Vec<FieldError>> {
    match json::from_value::<B>(&entry.body) {
        Ok(body) => Ok(body.into()),
        Err(error) => Err(error.into_errors().into_iter().map(within_body).collect()),
    }
}

fn within_body(mut error: FieldError) -> FieldError {
    error.pointer = format!("/body{}", error.pointer);
    error
}

/// What the types do not say.
fn faults(entry: &PushEntry, body: &Body) -> Vec<FieldError> {
    let mut errors = Vec::new();
    let mut fault = |pointer: &str, code: &'static str, detail: &str| {
        errors.push(FieldError::new(pointer, code, detail));
    };
    match (&entry.clamp_id, &entry.mark) {
        (Some(_), Some(_)) => fault("/mark", "one-of", "give clamp_id or mark, not both"),
        (None, None) => fault("/clamp_id", "missing-field", "clamp_id or mark is needed"),
        (None, Some(_)) if entry.kind == EntryKind::Registered => {
            fault(
                "/clamp_id",
                "missing-field",
                "a registration gives its clamp an id",
            );
        }
        (None, Some(mark)) => {
            if let Err(error) = check_mark(mark) {
                fault("/mark", "invalid-value", &error.to_string());
            }
        }
        (Some(_), None) => {}
    }
    if entry.id.uuid().get_version_num() == DERIVED_VERSION {
        let detail = "ids of version 5 are kept for entries that follow from others";
        fault("/id", "reserved-id", detail);
    }
    if entry.device_seq == 0 {
        fault("/device_seq", "out-of-range", "a device counts from 1");
    }
    errors.extend(check_body(entry.performed_at, body).into_iter().map(|error| {
        let error = FieldError::from(error);
        if error.pointer.starts_with("/performed_at") {
            error
        } else {
            within_body(error)
        }
    }));
    errors
}

#[cfg(test)]
mod tests {
    //! What is read is what was meant, and what cannot be read still names what it is about.

    use super::*;

    const ID: &str = "0198a000-0000-7000-8000-000000000001";
    const CLAMP: &str = "0198a000-0000-7000-8000-000000000002";

    fn entry(change: impl FnOnce(&mut serde_json::Map<String, Value>)) -> Vec<u8> {
        let mut value = serde_json::json!({
            "id": ID, "device_seq": 7, "clamp_id": CLAMP, "kind": "tagged_out", "performed_at": "2026-03-01T10:00:00+01:00",
            "boot": CLAMP, "monotonic_ms": 5, "performed_by": CLAMP, "body": {"reason": "dropped"}
        });
        change(value.as_object_mut().unwrap());
        serde_json::to_vec(&value).unwrap()
    }

    fn faults_of(raw: &[u8]) -> Vec<(String, String)> {
        match read_entry(raw) {
            ReadEntry::Entry(_) => Vec::new(),
            ReadEntry::Unreadable(unread) | ReadEntry::UnknownKind(unread) => {
                assert_eq!(unread.id.unwrap().to_string(), ID);
                assert_eq!((unread.device_seq, unread.clamps.len()), (Some(7), 1));
                unread
                    .errors
                    .into_iter()
                    .map(|error| (error.pointer, error.code.into_owned()))
                    .collect()
            }
        }
    }

    #[test]
    fn an_entry_is_read_and_every_fault_has_its_place() {
        assert_eq!(faults_of(&entry(|_| {})), vec![]);
        let told = |pointer: &str, code: &str| vec![(pointer.to_owned(), code.to_owned())];
        let with =
            |name: &'static str, value: Value| entry(move |entry| drop(entry.insert(name.to_owned(), value)));
        for (raw, faults) in [
            (with("mark", "HM-7".into()), told("/mark", "one-of")),
            (with("device", "x".into()), told("/device", "unknown-field")),
            (with("kind", "polished".into()), told("/kind", "unknown-kind")),
            (with("kind", "reassessed".into()), told("/kind", "not-a-devices")),
            (
                with("performed_at", "yesterday".into()),
                told("/performed_at", "time-malformed"),
            ),
            (
                with("body", serde_json::json!({"reason": "tired"})),
                told("/body/reason", "unknown-word"),
            ),
            (
                with("body", serde_json::json!({"reason": "dropped", "x": 1})),
                told("/body/x", "unknown-field"),
            ),
            (
                with(
                    "body",
                    serde_json::json!({"reason": "dropped", "note": "x".repeat(5_000)}),
                ),
                told("/body/note", "too-long"),
            ),
        ] {
            assert_eq!(faults_of(&raw), faults);
        }
        let text = String::from_utf8(entry(|_| {})).unwrap();
        for (from, to, code) in [
            ("\"dropped\"", "\"\\ud800\"", "lone-surrogate"),
            (
                "\"monotonic_ms\":5",
                "\"monotonic_ms\":9007199254740993",
                "integer-too-large",
            ),
            ("\"monotonic_ms\":5", "\"monotonic_ms\":NaN", "not-json"),
            ("\"monotonic_ms\":5", "\"monotonic_ms\":5.5", "decimal-number"),
            (
                "\"monotonic_ms\":5",
                "\"monotonic_ms\":5,\"monotonic_ms\":5",
                "duplicate-key",
            ),
            (
                "{\"reason\":\"dropped\"}",
                &format!("{}{}", "[".repeat(10_000), "]".repeat(10_000)),
                "too-deep",
            ),
        ] {
            let raw = text.replace(from, to);
            assert_ne!(raw, text, "{from}");
            assert_eq!(faults_of(raw.as_bytes()).first().unwrap().1, code);
        }
    }

    #[test]
    fn an_element_that_is_nothing_at_all_names_nothing() {
        for raw in [&b"NaN"[..], b"17", b"\"\"", b"[]", b"\xff", b"{\"id\": 7}"] {
            let ReadEntry::Unreadable(unread) = read_entry(raw) else {
                panic!("read");
            };
            assert!(unread.id.is_none() && unread.clamps.is_empty() && !unread.errors.is_empty());
        }
        let large = format!(
            "{{\"id\": \"{ID}\", \"note\": \"{}\"}}",
            "x".repeat(MAX_ENTRY_BYTES)
        );
        let ReadEntry::Unreadable(unread) = read_entry(large.as_bytes()) else {
            panic!("read");
        };
        assert_eq!(unread.errors.first().unwrap().code, "entry-too-large");
    }

    #[test]
    fn the_envelope_is_read_strictly_and_its_elements_are_left_as_they_are() {
        let envelope = |entries: &str| {
            format!(
                r#"{{"device_id": "{CLAMP}", "sent_at": "2026-03-01T10:00:00Z", "boot": "{CLAMP}", "monotonic_ms": 5,
                    "entries": {entries}, "queue_length": 3}}"#
            )
        };
        let text = envelope("[NaN, {\"a\":1,\"a\":2}]");
        let parts_of = parts(text.as_bytes()).unwrap();
        assert_eq!(parts_of.elements, vec![&b"NaN"[..], b"{\"a\":1,\"a\":2}"]);
        assert_eq!(parts_of.envelope.queue_length, 3);
        for (wrong, code) in [
            (envelope("{}"), "wrong-type"),
            (envelope("[1, 2"), "not-json"),
            (envelope("[]").replace("queue_length", "queue"), "missing-field"),
            (envelope("[], \"entries\": [1]"), "duplicate-key"),
            (String::new(), "body-missing"),
        ] {
            let errors = parts(wrong.as_bytes()).unwrap_err().into_errors();
            assert!(
                errors.iter().any(|error| error.code == code),
                "{wrong}: {errors:?}"
            );
        }
    }
}
