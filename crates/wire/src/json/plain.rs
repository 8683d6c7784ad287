//! Faults of a body or of parameters in words that a person can use: what to write, never a name out of the program.
//!
//! It knows only what the deserialiser says, not whose field it is.

use super::join;
use crate::problem::FieldError;
use serde_json::Value;

/// A stable code and the exact place for what the deserialiser says in words.
pub fn shape_error(pointer: &str, message: &str) -> FieldError {
    let named = |prefix: &str| {
        let rest = message.strip_prefix(prefix)?;
        rest.split('`').next().map(str::to_owned)
    };
    let at = |field: &str| {
        let full = join("", field);
        if pointer.ends_with(&full) {
            pointer.to_owned()
        } else {
            join(pointer, field)
        }
    };
    if let Some(field) = named("unknown field `") {
        FieldError::new(
            at(&field),
            "unknown-field",
            format!("{message}: check the spelling, or leave it out"),
        )
    } else if let Some(field) = named("missing field `") {
        FieldError::new(
            join(pointer, &field),
            "missing-field",
            format!("{field} is needed"),
        )
    } else if let Some((code, detail)) = in_plain_words(message) {
        FieldError::new(pointer, code, detail)
    } else {
        FieldError::new(pointer, "invalid-value", message)
    }
}

/// What an id has to look like.
pub const ID_ADVICE: &str = "an id is a UUID, for example \"01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10\"";
/// What a quantity has to look like.
const QUANTITY_ADVICE: &str =
    "write a quantity as text with its unit, for example {\"value\": \"38.1\", \"unit\": \"mm\"}";

/// Code and advice for what the deserialiser says in the words of a programming language.
fn in_plain_words(message: &str) -> Option<(&'static str, String)> {
    if let Some(rest) = message.strip_prefix("unknown variant `") {
        let (given, known) = rest.split_once("`, expected ").unwrap_or((rest, ""));
        let known = known.strip_prefix("one of ").unwrap_or(known).replace('`', "");
        return Some((
            "unknown-word",
            format!("{given:?} is not known here: write {known}"),
        ));
    }
    if message.starts_with("UUID parsing failed") {
        return Some(("invalid-value", ID_ADVICE.to_owned()));
    }
    if message.contains("digit found in string")
        || message.contains("cannot parse integer")
        || message.contains("number too ")
    {
        return Some(("invalid-value", whole_number("u32")));
    }
    if message.starts_with("provided string was not `true` or `false`") {
        return Some(("invalid-value", "write true or false".to_owned()));
    }
    if message.starts_with("data did not match any variant") {
        return Some((
            "invalid-value",
            "this is in none of the forms that stand in the contract".to_owned(),
        ));
    }
    let (code, rest) = [
        ("wrong-type", "invalid type: "),
        ("invalid-value", "invalid value: "),
        ("invalid-value", "invalid length "),
    ]
    .into_iter()
    .find_map(|(code, prefix)| Some((code, message.strip_prefix(prefix)?)))?;
    let (given, expected) = rest.split_once(", expected ")?;
    let expected = expected_form(expected);
    Some((
        code,
        if code == "wrong-type" {
            format!("{expected}, not {}", given_form(given))
        } else {
            expected
        },
    ))
}

fn whole_number(kind: &str) -> String {
    let bound = if kind.starts_with('u') {
        ", 0 or more, within its limits"
    } else {
        ""
    };
    format!("write a whole number{bound}")
}

/// What was asked for, as somebody who writes JSON calls it.
fn expected_form(expected: &str) -> String {
    match expected {
        "struct Raw" | "struct Raw with 2 elements" => QUANTITY_ADVICE.to_owned(),
        "u8" | "u16" | "u32" | "u64" | "usize" | "i8" | "i16" | "i32" | "i64" | "isize" => {
            whole_number(expected)
        }
        "a string" | "a borrowed string" | "str" => "write a text".to_owned(),
        "a boolean" => "write true or false".to_owned(),
        "a sequence" => "write a list".to_owned(),
        "a map" | "a JSON object" => "write a JSON object".to_owned(),
        "a formatted UUID string" | "a UUID string" => ID_ADVICE.to_owned(),
        name if name.starts_with("struct ") => "write a JSON object".to_owned(),
        name if [
            "enum ",
            "variant ",
            "tuple ",
            "internally tagged ",
            "adjacently tagged ",
        ]
        .iter()
        .any(|kind| name.starts_with(kind)) =>
        {
            "write one of the forms that stand in the contract".to_owned()
        }
        other => format!("write {other}"),
    }
}

/// What was given, as somebody who writes JSON calls it.
fn given_form(given: &str) -> String {
    for (prefix, plain) in [
        ("string ", "the text "),
        ("integer ", "the number "),
        ("floating point ", "the number "),
        ("boolean ", ""),
    ] {
        if let Some(value) = given.strip_prefix(prefix) {
            return format!("{plain}{}", value.replace('`', ""));
        }
    }
    match given {
        "sequence" => "a list".to_owned(),
        "map" => "an object".to_owned(),
        other => other.to_owned(),
    }
}

/// What a decimal has to look like where a quantity has its number.
pub(super) const DECIMAL_IN_QUOTES: &str =
    "write a decimal in quotes, for example \"38.1\" (a JSON number is refused: it may lose digits)";

/// What a schema asks for, as somebody who writes JSON calls it.
pub(super) fn wanted(schema: &Value) -> String {
    let kind = match schema.get("type") {
        Some(Value::Array(kinds)) => kinds
            .iter()
            .filter_map(Value::as_str)
            .find(|kind| *kind != "null")
            .unwrap_or_default(),
        Some(kind) => kind.as_str().unwrap_or_default(),
        None => "",
    };
    let is_quantity = schema
        .pointer("/properties/value")
        .and(schema.pointer("/properties/unit"))
        .is_some();
    match kind {
        "object" if is_quantity => QUANTITY_ADVICE.to_owned(),
        "object" => "write a JSON object".to_owned(),
        "array" => "write a list".to_owned(),
        "boolean" => "write true or false".to_owned(),
        "integer" => whole_number("u32"),
        "string" if schema.get("format").is_some_and(|format| format == "uuid") => ID_ADVICE.to_owned(),
        "string" => "write a text".to_owned(),
        _ => "write what stands in the contract".to_owned(),
    }
}

/// What a value is, as somebody who writes JSON calls it.
pub(super) fn given(value: &Value) -> String {
    match value {
        Value::Null => "null".to_owned(),
        Value::Bool(value) => value.to_string(),
        Value::Number(number) => format!("the number {number}"),
        Value::String(text) => format!("the text {:?}", text.chars().take(60).collect::<String>()),
        Value::Array(_) => "a list".to_owned(),
        Value::Object(_) => "an object".to_owned(),
    }
}
