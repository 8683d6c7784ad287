//! Canonical JSON after RFC 8785, restricted to what has one form only.
//!
//! Floats, integers beyond 2^53 and deep nesting are refused rather than rounded: two different facts must never have
//! one hash. Bytes made here are stored and hashed; nothing reads them and canonicalises again.

use serde::Serialize;
use serde_json::Value;
use sha2::{Digest, Sha256};
use std::cmp::Ordering;

/// Deepest nesting of objects and arrays.
pub const MAX_DEPTH: usize = 32;
/// Largest integer that every JSON implementation reads exactly: 2^53 − 1 (RFC 8785 section 3.2.2.3, RFC 7493).
pub const MAX_INTEGER: u64 = (1 << 53) - 1;

/// Why a value has no canonical form.
#[derive(Debug, thiserror::Error)]
pub enum CanonicalError {
    /// A number that is not an integer, or is too large.
    #[error("{0} is not an integer of at most 2^53 − 1; write a decimal as a string")]
    Number(String),
    /// Nested too deeply.
    #[error("nested more than {MAX_DEPTH} deep")]
    TooDeep,
    /// Not JSON at all.
    #[error("not representable as JSON: {0}")]
    NotJson(#[from] serde_json::Error),
}

/// The canonical bytes of a value.
pub fn to_bytes(value: &impl Serialize) -> Result<Vec<u8>, CanonicalError> {
    let mut bytes = Vec::new();
    write(&serde_json::to_value(value)?, 0, &mut bytes)?;
    Ok(bytes)
}

/// SHA-256.
pub fn sha256(parts: &[&[u8]]) -> [u8; 32] {
    let mut hasher = Sha256::new();
    for part in parts {
        hasher.update(part);
    }
    hasher.finalize().into()
}

/// Every entry is written several times on its way, and numbers are integers here: a general writer, which has floats to
/// format, takes four times as long. It is what this one is held against in the tests.
fn write(value: &Value, depth: usize, bytes: &mut Vec<u8>) -> Result<(), CanonicalError> {
    if depth > MAX_DEPTH {
        return Err(CanonicalError::TooDeep);
    }
    match value {
        // Escapes of strings are those of RFC 8785 section 3.2.2.2.
        Value::Null | Value::Bool(_) | Value::String(_) => serde_json::to_writer(bytes, value)?,
        Value::Number(number) => {
            let exact = number.as_i64().map(i64::unsigned_abs).or(number.as_u64());
            if exact.is_none_or(|size| size > MAX_INTEGER) {
                return Err(CanonicalError::Number(number.to_string()));
            }
            serde_json::to_writer(bytes, number)?;
        }
        Value::Array(items) => {
            bytes.push(b'[');
            for (index, item) in items.iter().enumerate() {
                if index > 0 {
                    bytes.push(b',');
                }
                write(item, depth + 1, bytes)?;
            }
            bytes.push(b']');
        }
        Value::Object(fields) => {
            let mut fields: Vec<_> = fields.iter().collect();
            fields.sort_unstable_by(|(a, _), (b, _)| by_utf16(a, b));
            bytes.push(b'{');
            for (index, (name, field)) in fields.into_iter().enumerate() {
                if index > 0 {
                    bytes.push(b',');
                }
                serde_json::to_writer(&mut *bytes, name)?;
                bytes.push(b':');
                write(field, depth + 1, bytes)?;
            }
            bytes.push(b'}');
        }
    }
    Ok(())
}

/// The order of members: that of their UTF-16 code units (RFC 8785 section 3.2.3).
fn by_utf16(a: &str, b: &str) -> Ordering {
    if a.is_ascii() && b.is_ascii() {
        a.cmp(b)
    } else {
        a.encode_utf16().cmp(b.encode_utf16())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use serde_json::json;

    #[test]
    fn members_are_sorted_by_utf16_code_units_and_nothing_is_escaped_that_need_not_be() {
        // RFC 8785 section 3.2.3: the example's member order, reduced to strings.
        let value = json!({"\u{20ac}": "Euro Sign", "\r": "Carriage Return", "\u{fb33}": "Hebrew Letter Dalet With Dagesh",
            "1": "One", "\u{1f600}": "Emoji: Grinning Face", "\u{80}": "Control", "\u{f6}": "Latin Small Letter O With Diaeresis"});
        let text = String::from_utf8(to_bytes(&value).unwrap()).unwrap();
        let order: Vec<usize> = [
            "Carriage Return",
            "One",
            "Control",
            "Latin Small",
            "Euro",
            "Emoji",
            "Hebrew",
        ]
        .iter()
        .map(|word| text.find(word).unwrap())
        .collect();
        assert!(order.is_sorted(), "{text}");
        assert!(text.contains("\"\\r\""));
    }

    #[test]
    fn a_number_with_two_readings_is_refused_rather_than_rounded() {
        assert!(matches!(
            to_bytes(&json!({"a": 0.1})),
            Err(CanonicalError::Number(_))
        ));
        assert!(matches!(
            to_bytes(&json!(9_007_199_254_740_993_u64)),
            Err(CanonicalError::Number(_))
        ));
        assert_eq!(
            to_bytes(&json!(9_007_199_254_740_991_u64)).unwrap(),
            b"9007199254740991"
        );
        assert_eq!(
            to_bytes(&json!(-9_007_199_254_740_991_i64)).unwrap(),
            b"-9007199254740991"
        );
    }

    /// Any value with a canonical form: names and texts of every plane, integers up to the largest.
    fn any_value() -> impl Strategy<Value = Value> {
        let largest = i64::try_from(MAX_INTEGER).unwrap();
        let leaf = prop_oneof![
            Just(Value::Null),
            any::<bool>().prop_map(Value::from),
            (-largest..=largest).prop_map(Value::from),
            any::<String>().prop_map(Value::from),
            "[\\x00-\\x7f]{0,12}".prop_map(Value::from),
        ];
        let name = prop_oneof!["[a-z_]{0,8}", any::<String>()];
        leaf.prop_recursive(4, 64, 8, move |inner| {
            prop_oneof![
                prop::collection::vec(inner.clone(), 0..8).prop_map(Value::from),
                prop::collection::vec((name.clone(), inner), 0..8)
                    .prop_map(|fields| Value::Object(fields.into_iter().collect())),
            ]
        })
    }

    proptest! {
        // Oracle: the crate serde_json_canonicalizer, which knows nothing of ours.
        #[test]
        fn every_value_is_written_as_a_general_writer_of_rfc_8785_writes_it(value in any_value()) {
            let ours = String::from_utf8(to_bytes(&value).unwrap()).unwrap();
            prop_assert_eq!(ours, serde_json_canonicalizer::to_string(&value).unwrap());
        }
    }

    #[test]
    fn nesting_has_a_limit() {
        let deep = (0..MAX_DEPTH).fold(json!(1), |inner, _| json!([inner]));
        assert!(to_bytes(&deep).is_ok());
        assert!(matches!(to_bytes(&json!([deep])), Err(CanonicalError::TooDeep)));
    }
}
