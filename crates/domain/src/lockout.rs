//! Lock-outs: an observed-remove set in which adds win.
//!
//! Every lock-out has an id that anyone can derive from the entry that opens it. Only a supported return to service
//! that names it closes it; this module only opens. What opens a lock-out follows from the entry and the versions
//! that it is judged by: its author's, and where that was by a yard or model that is not the clamp's, the clamp's own
//! (`fold::own`).

pub(crate) mod opens;

pub(crate) use opens::opened_by;

use crate::ids::{BulletinId, EntryId, LockoutId, PersonId};
use crate::source::Source;
use crate::words::{Component, Grade, Ground, LockoutReason};
use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

/// A lock-out.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Lockout {
    /// Derived from entry, criterion or reason, and place.
    pub id: LockoutId,
    /// The criterion, for findings.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub criterion: Option<String>,
    /// The reason, for everything else.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<LockoutReason>,
    /// The part of the clamp.
    pub component: Component,
    /// Which of several like parts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
    /// How bad.
    pub grade: Grade,
    /// Last day of use, for `danger_by`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by_date: Option<Date>,
    /// It bars from here on.
    pub bars_from: Timestamp,
    /// The entry that opened it.
    pub opened_by_entry: EntryId,
    /// Who wrote that entry.
    pub opened_by: PersonId,
    /// When that counts as having happened.
    pub opened_at: Timestamp,
    /// The bulletin behind it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bulletin: Option<BulletinId>,
    /// How it was closed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub closed: Option<Closing>,
    /// The rule it rests on.
    pub source: Source,
}

/// How a lock-out was closed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Closing {
    /// The return to service that named it.
    pub by_entry: EntryId,
    /// Who signed that.
    pub by: PersonId,
    /// When.
    pub at: Timestamp,
    /// On what ground.
    pub ground: Ground,
}

impl Lockout {
    /// Whether it is open.
    pub fn is_open(&self) -> bool {
        self.closed.is_none()
    }
    /// Whether it bars the clamp at an instant (as the entries folded so far tell it).
    pub fn bars_at(&self, at: Timestamp) -> bool {
        self.bars_from <= at && self.closed.as_ref().is_none_or(|closing| closing.at > at)
    }
    /// Whether it barred the clamp at any time of a period.
    pub fn barred_within(&self, from: Timestamp, until: Timestamp) -> bool {
        self.bars_from < until && self.closed.as_ref().is_none_or(|closing| closing.at > from)
    }
    /// Whether this one stays where another is found about the same place: of two the one that bars earlier counts.
    pub(crate) fn stays_beside(&self, found: &Self) -> bool {
        self.bars_from < found.bars_from
    }
    /// The criterion or reason as one word.
    pub fn what(&self) -> &str {
        match (&self.criterion, self.reason) {
            (Some(criterion), _) => criterion,
            (None, Some(reason)) => reason.code(),
            (None, None) => "unknown",
        }
    }
}
