//! Strict JSON: what is read is what was meant, or it is refused with a pointer to the place.
//!
//! Refused: a key given twice, an unknown field, a number that is no integer or lies at or beyond ±2^53 (canonical JSON
//! would round it), the character NUL (the database cannot keep it), a lone surrogate, nesting beyond [`MAX_DEPTH`],
//! and times that are not in the strict form of [`crate::time`]. Nothing here knows who sent the bytes.

mod plain;

pub use plain::{ID_ADVICE, shape_error};

use crate::problem::FieldError;
use crate::time;
use serde::de::{DeserializeOwned, DeserializeSeed, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Number, Value};
use std::cell::RefCell;
use std::fmt;

/// Deepest nesting that is read.
pub const MAX_DEPTH: usize = 32;
/// Largest integer that every JSON implementation reads exactly: 2^53 − 1 (RFC 7493 section 2.2).
pub const MAX_INTEGER: u64 = (1 << 53) - 1;

/// Why a body was not read.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ReadError {
    /// Not JSON, or not in the strict form.
    #[error("{}", .0.detail)]
    Syntax(FieldError),
    /// JSON, but not what is asked for here.
    #[error("{}", .0.detail)]
    Shape(FieldError),
}

impl ReadError {
    /// The fault with its place.
    pub fn into_error(self) -> FieldError {
        match self {
            Self::Syntax(error) | Self::Shape(error) => error,
        }
    }
}

/// Reads a value of a type from bytes.
pub fn read<T: DeserializeOwned>(bytes: &[u8]) -> Result<T, ReadError> {
    from_value(parse(bytes)?)
}

/// Reads a value of a type from parsed JSON.
pub fn from_value<T: DeserializeOwned>(value: Value) -> Result<T, ReadError> {
    check_times(&value, "").map_err(ReadError::Shape)?;
    serde_path_to_error::deserialize(value).map_err(|error| {
        let pointer = pointer_of(error.path());
        ReadError::Shape(shape_error(&pointer, &error.into_inner().to_string()))
    })
}

/// Parses bytes to JSON in the strict form.
pub fn parse(bytes: &[u8]) -> Result<Value, ReadError> {
    if bytes.iter().all(u8::is_ascii_whitespace) {
        let detail = "the body is empty: send a JSON object";
        return Err(ReadError::Syntax(FieldError::new("", "body-missing", detail)));
    }
    let fault = RefCell::new(None);
    let mut reader = serde_json::Deserializer::from_slice(bytes);
    let seed = Strict {
        pointer: String::new(),
        depth: 0,
        fault: &fault,
    };
    let parsed = seed
        .deserialize(&mut reader)
        .and_then(|value| reader.end().map(|()| value));
    parsed.map_err(|error| {
        let known = fault.into_inner();
        ReadError::Syntax(
            known.unwrap_or_else(|| FieldError::new("", "not-json", format!("not JSON: {error}"))),
        )
    })
}

/// Builds a [`Value`] and notes the place of the first fault.
struct Strict<'a> {
    pointer: String,
    depth: usize,
    fault: &'a RefCell<Option<FieldError>>,
}

impl Strict<'_> {
    fn child(&self, step: &str) -> Self {
        Self {
            pointer: join(&self.pointer, step),
            depth: self.depth + 1,
            fault: self.fault,
        }
    }
    fn refuse<E: serde::de::Error>(&self, code: &'static str, detail: impl Into<String>) -> E {
        let error = FieldError::new(&self.pointer, code, detail);
        let message = E::custom(&error.detail);
        self.fault.borrow_mut().get_or_insert(error);
        message
    }
    fn text<E: serde::de::Error>(&self, text: &str) -> Result<(), E> {
        if text.contains('\0') {
            return Err(self.refuse("nul-character", "the character NUL cannot be kept: leave it out"));
        }
        Ok(())
    }
    fn deep<E: serde::de::Error>(&self) -> Result<(), E> {
        if self.depth >= MAX_DEPTH {
            return Err(self.refuse("too-deep", format!("nested deeper than {MAX_DEPTH} levels")));
        }
        Ok(())
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
            return Err(self.refuse(
                "integer-too-large",
                "integers stay below 2^53; write it as text if it is a name",
            ));
        }
        Ok(Value::Number(Number::from(value)))
    }
    fn visit_i64<E: serde::de::Error>(self, value: i64) -> Result<Value, E> {
        if value.unsigned_abs() > MAX_INTEGER {
            return Err(self.refuse("integer-too-large", "integers stay above -2^53"));
        }
        Ok(Value::Number(Number::from(value)))
    }
    fn visit_f64<E: serde::de::Error>(self, _value: f64) -> Result<Value, E> {
        let advice = "decimals are written as text, for example {\"value\": \"38.1\", \"unit\": \"mm\"}: a JSON number may lose digits";
        Err(self.refuse("decimal-number", advice))
    }
    fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<Value, E> {
        self.text(text)?;
        Ok(Value::String(text.to_owned()))
    }
    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Value, A::Error> {
        self.deep()?;
        let mut items = Vec::new();
        while let Some(item) = seq.next_element_seed(self.child(&items.len().to_string()))? {
            items.push(item);
        }
        Ok(Value::Array(items))
    }
    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Value, A::Error> {
        self.deep()?;
        let mut fields = Map::new();
        while let Some(key) = map.next_key::<String>()? {
            let child = self.child(&key);
            child.text(&key)?;
            if fields.contains_key(&key) {
                let detail = format!("{key:?} is given twice: which one counts cannot be known");
                return Err(child.refuse::<A::Error>("duplicate-key", detail));
            }
            let value = map.next_value_seed(child)?;
            fields.insert(key, value);
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

/// Times are checked by name, because a parser of times accepts looser forms than the contract.
fn check_times(value: &Value, pointer: &str) -> Result<(), FieldError> {
    match value {
        Value::Object(fields) => fields.iter().try_for_each(|(key, value)| {
            let here = join(pointer, key);
            match value {
                Value::String(text) => match time_fault(key, text) {
                    Some(advice) => Err(FieldError::new(
                        &here,
                        "time-malformed",
                        format!("{text:?}: {advice}"),
                    )),
                    None => Ok(()),
                },
                other => check_times(other, &here),
            }
        }),
        Value::Array(items) => items
            .iter()
            .enumerate()
            .try_for_each(|(index, item)| check_times(item, &join(pointer, &index.to_string()))),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => Ok(()),
    }
}

/// One step further down a JSON pointer (RFC 6901).
pub fn join(pointer: &str, step: &str) -> String {
    format!("{pointer}/{}", step.replace('~', "~0").replace('/', "~1"))
}

fn pointer_of(path: &serde_path_to_error::Path) -> String {
    use serde_path_to_error::Segment;
    path.iter().fold(String::new(), |pointer, segment| match segment {
        Segment::Seq { index } => join(&pointer, &index.to_string()),
        Segment::Map { key } => join(&pointer, key),
        Segment::Enum { .. } | Segment::Unknown => pointer,
    })
}

#[cfg(test)]
mod tests;
