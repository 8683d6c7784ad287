//! Entries: one fact each, in trade words. Never changed, never deleted.
//!
//! An [`Entry`] is what the fold reads: the content that its author wrote, plus what the server fixed once when it
//! was recorded (`counted_at`, what it was judged by, whether its author signed it). Bodies have the same fields as
//! the endpoint of that kind. Which entries may exist is decided in [`mod@crate::judge`], not here.

mod bodies;
mod check;
mod photos;
mod signed;

pub use bodies::*;
pub use check::{InputError, check_body};
pub use signed::{Signature, ToBeSigned};

use crate::ids::{ClampId, DeviceId, EntryId, ModelId, PersonId, YardId};
use crate::words::{EntryKind, RuleSetName};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

/// What an inspection was judged by: its author's yard, rule set and model versions. Lock-outs follow from these and
/// the entry alone, so that no later transfer, amendment or version makes one disappear.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct JudgedBy {
    /// The yard whose zone, policies and rule set applied.
    pub yard_id: YardId,
    /// That yard's version.
    pub yard_version: u32,
    /// The rule set.
    pub rule_set: RuleSetName,
    /// That rule set's version.
    pub rule_set_version: u32,
    /// The model.
    pub model_id: ModelId,
    /// That model's version.
    pub model_version: u32,
}

/// One fact about one clamp.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// Chosen by whoever wrote it.
    pub id: EntryId,
    /// The clamp.
    pub clamp_id: ClampId,
    /// When it happened, as told by whoever wrote it.
    pub performed_at: Timestamp,
    /// When it counts as having happened: fixed once by the server, the only time that the fold reads.
    pub counted_at: Timestamp,
    /// Who did it.
    pub performed_by: PersonId,
    /// The device it was recorded on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub device_id: Option<DeviceId>,
    /// What it was judged by.
    pub judged_by: JudgedBy,
    /// Whether `performed_by` signed it (signed in themselves, or with their key on a device) for a clamp of their yards.
    /// What is not signed restricts, but is never credited and releases nothing.
    pub signed: bool,
    /// Whether a person placed it by hand: it restricts, but is neither credited nor releases.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub placed: bool,
    /// The fact.
    #[serde(flatten)]
    pub body: Body,
}

impl Entry {
    /// The place of the entry in the fold's order: by counted time, then by id.
    pub fn order(&self) -> (Timestamp, EntryId) {
        (self.counted_at, self.id)
    }
    /// The kind of the body.
    pub fn kind(&self) -> EntryKind {
        self.body.kind()
    }
    /// Whether the entry may be credited or release anything at all.
    pub fn may_count(&self) -> bool {
        self.signed && !self.placed
    }
}
