//! Canonical JSON after RFC 8785, restricted to what has one form only.
//!
//! Floats, integers beyond 2^53 and deep nesting are refused rather than rounded: two different facts must never have
//! one hash. Bytes made here are stored and hashed; nothing reads them and canonicalises again.

use serde::Serialize;
use serde_json::Value;
use sha2::{Digest, Sha256};

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
    let value = serde_json::to_value(value)?;
    check(&value, 0)?;
    Ok(serde_json_canonicalizer::to_vec(&value)?)
}

/// SHA-256.
pub fn sha256(parts: &[&[u8]]) -> [u8; 32] {
    let mut hasher = Sha256::new();
    for part in parts {
        hasher.update(part);
    }
    hasher.finalize().into()
}

fn check(value: &Value, depth: usize) -> Result<(), CanonicalError> {
    if depth > MAX_DEPTH {
        return Err(CanonicalError::TooDeep);
    }
    match value {
        Value::Null | Value::Bool(_) | Value::String(_) => Ok(()),
        Value::Number(number) => {
            let exact = number.as_i64().map(i64::unsigned_abs).or(number.as_u64());
            match exact {
                Some(size) if size <= MAX_INTEGER => Ok(()),
                Some(_) | None => Err(CanonicalError::Number(number.to_string())),
            }
        }
        Value::Array(items) => items.iter().try_for_each(|item| check(item, depth + 1)),
        Value::Object(fields) => fields.values().try_for_each(|field| check(field, depth + 1)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
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

    #[test]
    fn nesting_has_a_limit() {
        let deep = (0..MAX_DEPTH).fold(json!(1), |inner, _| json!([inner]));
        assert!(to_bytes(&deep).is_ok());
        assert!(matches!(to_bytes(&json!([deep])), Err(CanonicalError::TooDeep)));
    }
}
