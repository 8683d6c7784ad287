//! Safety bulletins: which clamps one is about, and what has to be shown before a clamp that it holds is returned.
//!
//! A bulletin is recorded once and never changed: one whose scope grows is followed by another. Whatever a clamp's number,
//! model or date leave open counts as in scope, so that nobody is spared for being unknown ([`BulletinScope::covers`]).

mod check;
mod scope;

pub use check::check_bulletin;
pub use scope::{BulletinScope, Identity, Matcher, SerialRange, Serials, covers};

use crate::entry::{Body, TaggedOut};
use crate::ids::{BulletinId, ClampId, EntryId, PersonId, derived_entry_id};
use crate::words::{Component, LockoutReason, words};
use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::sync::Arc;

words! {
    /// What a bulletin asks for.
    BulletinClass {
        /// Every clamp in scope is barred until the bulletin's remedy, or the maker's written release, is shown.
        StopUse = "stop_use",
        /// Every clamp in scope is barred until an inspection accepts the bulletin's checks.
        InspectBeforeUse = "inspect_before_use",
        /// Nothing is barred: every yard is told, and says that it has read it.
        Information = "information",
    }
    /// Why a clamp is in the scope of a bulletin.
    InScopeBecause {
        /// The bulletin names it: maker or model, and number and date where it asks for them.
        Named = "named",
        /// Its serial number is in scope if look-alikes (0/O, 1/I, 5/S, 8/B) are taken for one another.
        SerialLooksAlike = "serial_looks_alike",
        /// Its serial number has another form than the ranges, which therefore say nothing about it.
        SerialOtherForm = "serial_other_form",
        /// Its serial number is not known, or in doubt.
        SerialUnknown = "serial_unknown",
        /// Its day of manufacture is not known.
        DateUnknown = "date_unknown",
        /// Its model is not known.
        ModelUnknown = "model_unknown",
    }
}

/// What the bulletin has done to a clamp before it may be returned.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct BulletinRemedy {
    /// In words.
    pub text: String,
    /// The components on which the repair has to work.
    pub components: Vec<Component>,
}

/// A safety bulletin, as its issuer wrote it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Bulletin {
    /// Its number: of one issuer's, each is one bulletin's.
    pub code: String,
    /// Title.
    pub title: String,
    /// Who issued it: a maker, an authority, or the company's own safety team.
    pub issued_by: String,
    /// When it was issued.
    pub issued_on: Date,
    /// What it asks for.
    pub class: BulletinClass,
    /// What is wrong and what to do.
    pub text: String,
    /// Which clamps it is about.
    pub scope: BulletinScope,
    /// The criteria that an inspection for it has to ask and accept.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub checks: Vec<String>,
    /// What has to be done first, for a stop of use. Without it, and without the maker's written release, a clamp in scope
    /// stays barred or is scrapped.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub remedy: Option<BulletinRemedy>,
}

/// A bulletin with what became of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Opened {
    /// What it says.
    pub bulletin: Arc<Bulletin>,
    /// Where it stands in the ledger: the clamps of rows before it are gone through, those of rows after it read on.
    pub position: u64,
    /// When it was opened here.
    pub opened_at: Timestamp,
    /// By whom.
    pub opened_by: PersonId,
    /// When every clamp that was there then had been gone through.
    pub held_at: Option<Timestamp>,
    /// Clamps that could not be held: they are barred all the same.
    pub failed: BTreeSet<ClampId>,
    /// When it was closed: every clamp was accounted for.
    pub closed_at: Option<Timestamp>,
}

impl BulletinClass {
    /// Whether it bars the clamps in scope.
    pub const fn bars(self) -> bool {
        match self {
            Self::StopUse | Self::InspectBeforeUse => true,
            Self::Information => false,
        }
    }
}

impl Opened {
    /// Whether a clamp that was registered then is held once it comes to light that it is in scope: one that was there before
    /// the bulletin was closed is, whenever that comes to light.
    pub fn catches(&self, registered_at: Timestamp) -> bool {
        self.bulletin.class.bars() && self.closed_at.is_none_or(|closed| registered_at <= closed)
    }
    /// Whether it may bar a clamp for which no hold is written: all are asked about until those that were there have been gone
    /// through, afterwards those that could not be held.
    pub fn may_bar_unheld(&self, clamp: ClampId) -> bool {
        self.bulletin.class.bars() && (self.held_at.is_none() || self.failed.contains(&clamp))
    }
    /// When the hold of a clamp that was there counts as having happened: when the bulletin was opened, or when the clamp was
    /// registered, whichever is later.
    pub fn holds_from(&self, registered_at: Timestamp) -> Timestamp {
        self.opened_at.max(registered_at)
    }
}

/// The id of the tag-out by which a bulletin holds a clamp: whoever writes it writes the same one.
pub fn hold_id(bulletin: BulletinId, clamp: ClampId) -> EntryId {
    derived_entry_id(&["bulletin", &bulletin.to_string(), &clamp.to_string()])
}

/// What that tag-out says.
pub fn hold(id: BulletinId, bulletin: &Bulletin, because: InScopeBecause) -> Body {
    let why = match because {
        InScopeBecause::Named => "in its scope",
        InScopeBecause::SerialLooksAlike => "its serial number looks like one in scope",
        InScopeBecause::SerialOtherForm => "its serial number has another form than the ranges named",
        InScopeBecause::SerialUnknown => "its serial number is not known",
        InScopeBecause::DateUnknown => "its day of manufacture is not known",
        InScopeBecause::ModelUnknown => "its model is not known",
    };
    Body::TaggedOut(TaggedOut {
        reason: LockoutReason::SafetyBulletin,
        note: Some(format!(
            "Held by bulletin {} of {}: {why}.",
            bulletin.code, bulletin.issued_by
        )),
        photos: Vec::new(),
        bulletin: Some(id),
        lift_check: None,
    })
}

#[cfg(test)]
mod tests;
