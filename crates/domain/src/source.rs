//! Where a rule or a figure comes from, and how sure we are of it.
//!
//! Every rule carries its source in the data, and every answer that rests on it can show that source.

use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// How well a figure is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum Certainty {
    /// The text of the law or standard was read. For ASME: an uncontrolled copy; confirm against a bought one.
    Text,
    /// A secondary source.
    Secondary,
    /// Computed from definitions.
    Computed,
    /// Common practice or this project's decision.
    Practice,
    /// From memory: a default that a user can change.
    Memory,
}

/// A source of a rule.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Source {
    /// What to look up, for example `ASME B30.20-2013, 20-1.3.4`.
    pub cite: Cow<'static, str>,
    /// How well it is known.
    pub certainty: Certainty,
}

impl Source {
    /// A source fixed in code.
    pub const fn fixed(cite: &'static str, certainty: Certainty) -> Self {
        Self {
            cite: Cow::Borrowed(cite),
            certainty,
        }
    }
}
