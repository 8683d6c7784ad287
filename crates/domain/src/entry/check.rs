//! What makes a body malformed, before anything is judged: every fault, each with a JSON pointer.

use super::bodies::*;
use serde::Serialize;

/// A fault in the input.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct InputError {
    /// JSON pointer (RFC 6901) into the body.
    pub pointer: String,
    /// Stable code.
    pub code: &'static str,
    /// What to do.
    pub detail: String,
}

/// Every fault of a body. Empty: well-formed.
pub fn check_body(_body: &Body) -> Vec<InputError> {
    Vec::new()
}
