//! Strict JSON: what is read is what was meant, or it is refused with a pointer to the place.
//!
//! Refused: a key given twice, an unknown field, a number that is no integer or lies at or beyond ±2^53 (canonical JSON
//! would round it), the character NUL (the database cannot keep it), a lone surrogate, nesting beyond [`MAX_DEPTH`],
//! a name of a field beyond [`MAX_KEY`], and times that are not in the strict form of [`crate::time`]. Every fault that can be seen is named, not only the first,
//! up to [`MAX_FAULTS`] of them and in few words: an answer is never larger than what was sent by more than a little.
//! Nothing here knows who sent the bytes.

pub mod loose;
mod place;
mod plain;
mod shape;

pub use place::{MAX_POINTER, join};
pub use plain::{ID_ADVICE, shape_error};
pub use shape::unknown_fields;

use crate::problem::FieldError;
use crate::time;
use place::{Place, pointer_of};
use serde::de::{DeserializeOwned, DeserializeSeed, MapAccess, SeqAccess, Visitor};
use serde_json::map::Entry;
use serde_json::{Map, Number, Value};
use std::cell::RefCell;
use std::fmt;
use utoipa::ToSchema;

/// Deepest nesting that is read.
pub const MAX_DEPTH: usize = 32;
/// Largest integer that every JSON implementation reads exactly: 2^53 − 1 (RFC 7493 section 2.2).
pub const MAX_INTEGER: u64 = (1 << 53) - 1;
/// Most faults that are named at once: whoever makes more has another problem.
pub const MAX_FAULTS: usize = 20;
/// Longest name of a field, in bytes: none in the contract comes near it, and it stands in the pointer of all within.
pub const MAX_KEY: usize = 200;
/// Most characters of what a fault says: whatever the sender wrote is quoted only in part.
pub const MAX_DETAIL: usize = 1_000;
/// Most characters of a text that are quoted.
const MAX_QUOTED: usize = 60;

/// Why a body was not read: its faults, at least one and at most [`MAX_FAULTS`].
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ReadError {
    /// Not JSON, or not in the strict form.
    #[error("{}", details(.0))]
    Syntax(Vec<FieldError>),
    /// JSON, but not what is asked for here.
    #[error("{}", details(.0))]
    Shape(Vec<FieldError>),
}

impl ReadError {
    /// The faults with their places.
    pub fn into_errors(self) -> Vec<FieldError> {
        match self {
            Self::Syntax(errors) | Self::Shape(errors) => errors,
        }
    }
}

fn details(errors: &[FieldError]) -> String {
    let details: Vec<&str> = errors.iter().map(|error| error.detail.as_str()).collect();
    details.join("; ")
}

/// Reads a value of a type from bytes.
pub fn read<T: DeserializeOwned + ToSchema + 'static>(bytes: &[u8]) -> Result<T, ReadError> {
    from_value(&parse(bytes)?)
}

/// Reads a value of a type from parsed JSON. What the deserialiser stumbles over first, it says; everything else that
/// can be seen from the type's published schema is said with it.
pub fn from_value<T: DeserializeOwned + ToSchema + 'static>(value: &Value) -> Result<T, ReadError> {
    let mut faults = Vec::new();
    note_times(value, &Place::Root, &mut faults);
    let refused = match T::deserialize(value) {
        Ok(read) => {
            faults.extend(shape::lists_for_objects::<T>(value));
            if faults.is_empty() {
                return Ok(read);
            }
            None
        }
        // Once more for the place, which costs more than reading it.
        Err(_) => serde_path_to_error::deserialize::<_, T>(value).err(),
    };
    let mut found = Found::of(faults);
    if let Some(error) = refused {
        let pointer = pointer_of(error.path());
        found.add(shape_error(&pointer, &error.into_inner().to_string()));
    }
    for fault in shape::faults::<T>(value) {
        found.add(fault);
    }
    Err(ReadError::Shape(found.at_most(MAX_FAULTS)))
}

/// Faults of one body, each place once.
struct Found(Vec<FieldError>);

impl Found {
    fn of(faults: Vec<FieldError>) -> Self {
        Self(faults)
    }
    /// Adds a fault unless its place is named already; a general one gives way to what lies within its place.
    fn add(&mut self, fault: FieldError) {
        let within = |inner: &str, outer: &str| {
            inner
                .strip_prefix(outer)
                .is_some_and(|rest| rest.starts_with('/'))
        };
        let is_general = |known: &FieldError| known.code == "invalid-value" && fault.code != "invalid-value";
        let known = self.0.iter().any(|known| {
            (known.pointer == fault.pointer && !is_general(known))
                || within(&known.pointer, &fault.pointer)
                || (within(&fault.pointer, &known.pointer)
                    && known.code != "invalid-value"
                    && !known.pointer.is_empty())
        });
        if known {
            return;
        }
        self.0.retain(|known| {
            known.code != "invalid-value"
                || !(known.pointer == fault.pointer || within(&fault.pointer, &known.pointer))
        });
        self.0.push(fault);
    }
    fn at_most(mut self, most: usize) -> Vec<FieldError> {
        self.0.truncate(most);
        for fault in &mut self.0 {
            shorten(&mut fault.detail, MAX_DETAIL);
        }
        self.0
    }
}

/// Parses bytes to JSON in the strict form.
pub fn parse(bytes: &[u8]) -> Result<Value, ReadError> {
    if bytes.iter().all(u8::is_ascii_whitespace) {
        let detail = "the body is empty: send a JSON object";
        return Err(ReadError::Syntax(vec![FieldError::new(
            "",
            "body-missing",
            detail,
        )]));
    }
    let notes = RefCell::new(Notes::default());
    let mut reader = serde_json::Deserializer::from_slice(bytes);
    let seed = Strict {
        place: &Place::Root,
        depth: 0,
        notes: &notes,
    };
    let parsed = seed
        .deserialize(&mut reader)
        .and_then(|value| reader.end().map(|()| value));
    let Notes {
        mut faults,
        torn_at,
        full,
    } = notes.into_inner();
    match parsed {
        Ok(value) if faults.is_empty() => return Ok(value),
        Ok(_) => {}
        Err(_) if full => {}
        Err(error) => faults.push(not_json(&torn_at.unwrap_or_default(), &error)),
    }
    Err(ReadError::Syntax(faults))
}

/// What the parser itself did not get past.
fn not_json(pointer: &str, error: &serde_json::Error) -> FieldError {
    let message = error.to_string();
    if message.starts_with("number out of range") {
        return FieldError::new(pointer, "decimal-number", DECIMAL_ADVICE);
    }
    let surrogate = message.contains("surrogate") || message.starts_with("unexpected end of hex escape");
    if surrogate {
        let detail = "half of a surrogate pair (\\ud800 to \\udfff) is no character: write both halves, or the character";
        return FieldError::new(pointer, "lone-surrogate", detail);
    }
    FieldError::new(pointer, "not-json", format!("not JSON: {message}"))
}

const DECIMAL_ADVICE: &str = "decimals are written as text, for example {\"value\": \"38.1\", \"unit\": \"mm\"}: a JSON number may lose digits";

/// What was found while reading.
#[derive(Default)]
struct Notes {
    faults: Vec<FieldError>,
    /// The innermost place at which the parser gave up.
    torn_at: Option<String>,
    /// Whether reading was ended because there is enough to say.
    full: bool,
}

/// Builds a [`Value`] and notes every fault with its place.
struct Strict<'a> {
    place: &'a Place<'a>,
    depth: usize,
    notes: &'a RefCell<Notes>,
}

impl<'a> Strict<'a> {
    fn child<'b>(&self, place: &'b Place<'b>) -> Strict<'b>
    where
        'a: 'b,
    {
        Strict {
            place,
            depth: self.depth + 1,
            notes: self.notes,
        }
    }
    /// Notes a fault; reading goes on unless there is enough to say.
    fn note<E: serde::de::Error>(&self, code: &'static str, detail: &str) -> Result<(), E> {
        let mut notes = self.notes.borrow_mut();
        notes
            .faults
            .push(FieldError::new(self.place.pointer(), code, detail));
        if notes.faults.len() < MAX_FAULTS {
            return Ok(());
        }
        notes.full = true;
        Err(E::custom("enough faults"))
    }
    /// Remembers where the parser gave up.
    fn torn<T, E>(&self, read: Result<T, E>) -> Result<T, E> {
        if read.is_err() {
            let mut notes = self.notes.borrow_mut();
            if notes.torn_at.is_none() {
                notes.torn_at = Some(self.place.pointer());
            }
        }
        read
    }
    fn text<E: serde::de::Error>(&self, text: &str) -> Result<(), E> {
        if text.contains('\0') {
            return self.note("nul-character", "the character NUL cannot be kept: leave it out");
        }
        Ok(())
    }
    fn deep<E: serde::de::Error>(&self) -> Result<(), E> {
        if self.depth < MAX_DEPTH {
            return Ok(());
        }
        self.note::<E>("too-deep", &format!("nested deeper than {MAX_DEPTH} levels"))?;
        self.notes.borrow_mut().full = true;
        Err(E::custom("too deep"))
    }
}

impl<'de> DeserializeSeed<'de> for Strict<'_> {
    type Value = Value;
    fn deserialize<D: serde::Deserializer<'de>>(self, deserializer: D) -> Result<Value, D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Strict<'_> {
    type Value = Value;
    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("JSON")
    }
    fn visit_unit<E: serde::de::Error>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }
    fn visit_bool<E: serde::de::Error>(self, value: bool) -> Result<Value, E> {
        Ok(Value::Bool(value))
    }
    fn visit_u64<E: serde::de::Error>(self, value: u64) -> Result<Value, E> {
        if value > MAX_INTEGER {
            self.note(
                "integer-too-large",
                "integers stay below 2^53; write it as text if it is a name",
            )?;
        }
        Ok(Value::Number(Number::from(value)))
    }
    fn visit_i64<E: serde::de::Error>(self, value: i64) -> Result<Value, E> {
        if value.unsigned_abs() > MAX_INTEGER {
            self.note("integer-too-large", "integers stay above -2^53")?;
        }
        Ok(Value::Number(Number::from(value)))
    }
    fn visit_f64<E: serde::de::Error>(self, _value: f64) -> Result<Value, E> {
        self.note("decimal-number", DECIMAL_ADVICE)?;
        Ok(Value::Null)
    }
    fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<Value, E> {
        self.text(text)?;
        Ok(Value::String(text.to_owned()))
    }
    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Value, A::Error> {
        self.deep()?;
        let mut items = Vec::new();
        loop {
            let place = Place::Item(self.place, items.len());
            let child = self.child(&place);
            let item = seq.next_element_seed(self.child(&place));
            match child.torn(item)? {
                Some(item) => items.push(item),
                None => return Ok(Value::Array(items)),
            }
        }
    }
    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Value, A::Error> {
        self.deep()?;
        let mut fields = Map::new();
        while let Some(key) = self.torn(map.next_key::<String>())? {
            if key.len() > MAX_KEY {
                // Nothing within it can be named.
                let detail = format!(
                    "the name of a field has at most {MAX_KEY} bytes, not {}",
                    key.len()
                );
                self.note::<A::Error>("key-too-long", &detail)?;
                self.notes.borrow_mut().full = true;
                return Err(serde::de::Error::custom("key too long"));
            }
            let place = Place::Field(self.place, &key);
            let child = self.child(&place);
            child.text(&key)?;
            let value = map.next_value_seed(self.child(&place));
            let value = child.torn(value)?;
            match fields.entry(key) {
                Entry::Vacant(entry) => {
                    entry.insert(value);
                }
                Entry::Occupied(entry) => {
                    let key = entry.key();
                    let detail = format!("{key:?} is given twice: which one counts cannot be known");
                    let place = Place::Field(self.place, key);
                    self.child(&place).note("duplicate-key", &detail)?;
                }
            }
        }
        Ok(Value::Object(fields))
    }
}

/// Names under which an instant or a civil day travels: bounds of a period.
fn names_time(key: &str) -> bool {
    matches!(key, "from" | "until" | "as_of")
}

/// Names under which civil days travel.
fn names_day(key: &str) -> bool {
    key == "by_date"
        || ["_on", "_from", "_until", "_date"]
            .iter()
            .any(|ending| key.ends_with(ending))
}

/// What is wrong with a text where a time of this name is expected.
fn time_fault(key: &str, text: &str) -> Option<&'static str> {
    let day = names_day(key) || (names_time(key) && text.len() <= 10);
    if day {
        time::parse_day(text).is_none().then_some(time::DAY_ADVICE)
    } else if names_time(key) || key.ends_with("_at") {
        time::parse(text).is_none().then_some(time::ADVICE)
    } else {
        None
    }
}

/// Times are checked by name, because a parser of times accepts looser forms than the contract. Ends when there is enough
/// to say.
fn note_times(value: &Value, place: &Place<'_>, faults: &mut Vec<FieldError>) {
    if faults.len() >= MAX_FAULTS {
        return;
    }
    match value {
        Value::Object(fields) => {
            for (key, value) in fields {
                let here = Place::Field(place, key);
                match value {
                    Value::String(text) => {
                        if faults.len() < MAX_FAULTS
                            && let Some(advice) = time_fault(key, text)
                        {
                            let detail = format!("{:?}: {advice}", quoted(text));
                            faults.push(FieldError::new(here.pointer(), "time-malformed", detail));
                        }
                    }
                    Value::Object(_) | Value::Array(_) => note_times(value, &here, faults),
                    Value::Null | Value::Bool(_) | Value::Number(_) => {}
                }
            }
        }
        Value::Array(items) => {
            for (index, item) in items.iter().enumerate() {
                note_times(item, &Place::Item(place, index), faults);
            }
        }
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

/// The beginning of what somebody wrote.
fn quoted(text: &str) -> &str {
    match text.char_indices().nth(MAX_QUOTED) {
        Some((end, _)) => text.get(..end).unwrap_or_default(),
        None => text,
    }
}

/// Cuts a text to so many characters, and says so.
pub fn shorten(text: &mut String, most: usize) {
    if let Some((end, _)) = text.char_indices().nth(most.saturating_sub(1))
        && text.chars().nth(most).is_some()
    {
        text.truncate(end);
        text.push('…');
    }
}

#[cfg(test)]
mod tests;
