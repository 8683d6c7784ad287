//! Problem documents after RFC 9457, out of one table of codes.
//!
//! The table feeds the answers, the published contract, the tests and the help pages under `/problems/{code}`.
//! Internals never stand in a problem; an error says what to do next.

mod codes;

pub use codes::*;

use clampward_domain::entry::InputError;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};
use std::borrow::Cow;
use utoipa::ToSchema;

/// Media type of a problem document.
pub const MEDIA_TYPE: &str = "application/problem+json";

/// One kind of problem: a row of the table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Kind {
    /// Stable code; also the last step of the help page's path.
    pub code: &'static str,
    /// HTTP status.
    pub status: u16,
    /// Fixed title.
    pub title: &'static str,
    /// What it means and what to do: the help page.
    pub help: &'static str,
}

/// One fault of the input.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[schema(as = FieldError)]
pub struct FieldError {
    /// JSON pointer (RFC 6901) into the body; for parameters `/` and the parameter's name.
    #[schema(examples("/findings/3/measured"))]
    pub pointer: String,
    /// Stable code.
    #[schema(value_type = String, examples("unknown-field"))]
    pub code: Cow<'static, str>,
    /// What to do.
    pub detail: String,
}

impl FieldError {
    /// A fault at a place.
    pub fn new(
        pointer: impl Into<String>,
        code: impl Into<Cow<'static, str>>,
        detail: impl Into<String>,
    ) -> Self {
        Self {
            pointer: pointer.into(),
            code: code.into(),
            detail: detail.into(),
        }
    }
}

impl From<InputError> for FieldError {
    fn from(error: InputError) -> Self {
        Self::new(error.pointer, error.code, error.detail)
    }
}

/// A problem document.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Problem {
    /// Path of the help page that this service serves.
    #[serde(rename = "type")]
    #[schema(examples("/problems/invalid-input"))]
    pub help: String,
    /// Title of the kind.
    pub title: String,
    /// HTTP status.
    #[schema(minimum = 400, maximum = 599)]
    pub status: u16,
    /// This case, and what to do next.
    pub detail: String,
    /// The request: `urn:uuid:` and the request id.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub instance: Option<String>,
    /// Stable code.
    pub code: String,
    /// Faults of the input, each with its place.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub errors: Vec<FieldError>,
    /// What else the kind says (the reasons, the unmet conditions); named with the kind.
    #[serde(flatten)]
    #[schema(ignore)]
    pub more: Map<String, Value>,
}

impl Problem {
    /// A problem of a kind.
    pub fn new(kind: Kind, detail: impl Into<String>) -> Self {
        Self {
            help: format!("/problems/{}", kind.code),
            title: kind.title.to_owned(),
            status: kind.status,
            detail: detail.into(),
            instance: None,
            code: kind.code.to_owned(),
            errors: Vec::new(),
            more: Map::new(),
        }
    }
    /// Faulty input: every fault with its place.
    pub fn input(errors: Vec<FieldError>) -> Self {
        let detail = match errors.as_slice() {
            [one] if one.pointer.is_empty() => one.detail.clone(),
            [one] => format!("{}: {}", one.pointer, one.detail),
            many => format!("{} faults; each is named in errors", many.len()),
        };
        Self {
            errors,
            ..Self::new(INVALID_INPUT, detail)
        }
    }
    /// The same with faults named.
    #[must_use]
    pub fn with_errors(mut self, errors: Vec<FieldError>) -> Self {
        self.errors = errors;
        self
    }
    /// The same with one more member.
    #[must_use]
    pub fn with(mut self, name: &str, value: impl Into<Value>) -> Self {
        self.more.insert(name.to_owned(), value.into());
        self
    }
}

impl From<crate::json::ReadError> for Problem {
    fn from(error: crate::json::ReadError) -> Self {
        match error {
            crate::json::ReadError::Syntax(_) => {
                Self::new(MALFORMED_JSON, error.to_string()).with_errors(error.into_errors())
            }
            crate::json::ReadError::Shape(errors) => Self::input(errors),
        }
    }
}

/// The kind with a code.
pub fn kind(code: &str) -> Option<&'static Kind> {
    CODES.iter().find(|kind| kind.code == code)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_code_stands_once_and_says_what_to_do() {
        for (index, kind) in CODES.iter().enumerate() {
            assert!(
                CODES.iter().skip(index + 1).all(|other| other.code != kind.code),
                "{} twice",
                kind.code
            );
            assert!((400..600).contains(&kind.status), "{}", kind.code);
            assert!(
                kind.help.len() > 40 && kind.help.ends_with('.'),
                "{} needs help",
                kind.code
            );
            assert!(
                kind.code
                    .bytes()
                    .all(|byte| byte.is_ascii_lowercase() || byte == b'-'),
                "{}",
                kind.code
            );
        }
    }

    // Source: RFC 9457 section 3.1 (members type, title, status, detail, instance) and 3.2 (extensions).
    #[test]
    fn a_problem_has_the_members_of_the_standard_and_its_own_beside_them() {
        let problem =
            Problem::new(NOT_FIT, "Tagged out since 3 March.").with("reasons", Value::Array(Vec::new()));
        let json = serde_json::to_value(&problem).expect("serialises");
        assert_eq!(
            json,
            serde_json::json!({
                "type": "/problems/not-fit", "title": NOT_FIT.title, "status": 409,
                "detail": "Tagged out since 3 March.", "code": "not-fit", "reasons": []
            })
        );
    }
}
