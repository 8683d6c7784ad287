//! What the fold remembers of a clamp.
//!
//! It holds what later entries and questions need, not the history: its size grows with what is open, not with the
//! number of inspections. Closed lock-outs are handed out by [`ClampState::take_closed`] and brought back by
//! [`ClampState::hydrate`] when an entry names them.

use super::claims::value;
use super::{Heads, Shown, Uses};
use crate::calendar::Interval;
use crate::crediting::{Known, competent};
use crate::entry::{Amended, Body, Direction, Entry, Registered, Release, ReturnedToService};
use crate::finding::Readings;
use crate::ids::{ClampId, EntryId, LockoutId, PersonId, YardId};
use crate::lockout::Lockout;
use crate::reference::Reference;
use crate::words::{
    AmendmentField, CompetenceKind, ExaminationBasis, InspectionKind, RuleSetName, ServiceClass,
};
use jiff::Timestamp;
use jiff::civil::Date;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// A credited inspection that started a clock.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Anchor {
    /// When.
    pub at: Timestamp,
    /// Which day that was in the yard where it was judged.
    pub on: Date,
    /// The inspection.
    pub entry: EntryId,
    /// Who made it.
    pub by: PersonId,
    /// What for.
    pub kind: InspectionKind,
    /// The rule set it was judged by.
    pub rule_set: RuleSetName,
    /// Its basis, if it was a thorough examination.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub basis: Option<ExaminationBasis>,
    /// The examiner's own latest date.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub next_latest: Option<Date>,
    /// The interval of the scheme in force on that day.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scheme: Option<Interval>,
}

/// The clocks of a clamp: the latest credited inspection of each scope.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Clocks {
    /// Frequent scope or more.
    pub frequent: Option<Anchor>,
    /// Periodic scope.
    pub periodic: Option<Anchor>,
    /// Thorough examination under `gb-loler`.
    pub thorough: Option<Anchor>,
    /// The first credited inspection of periodic scope.
    pub first: Option<Timestamp>,
}

/// Who the registration says the clamp is.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Registration {
    /// The entry.
    pub entry: EntryId,
    /// When.
    pub at: Timestamp,
    /// Whether nobody signed for it.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub is_unsigned: bool,
    /// What it said.
    pub body: Registered,
}

impl Registration {
    /// Its place in the fold's order.
    pub fn order(&self) -> (Timestamp, EntryId) {
        (self.at, self.entry)
    }
}

/// A service class as somebody set it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Class {
    /// The class.
    pub service_class: ServiceClass,
    /// A qualified person's direction, if the author was one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub direction: Option<Direction>,
}

/// A return to service some of whose releases are not supported (yet).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Waiting {
    /// The return.
    pub entry: Entry,
    /// The releases that wait.
    pub releases: Vec<Release>,
    /// Whether the clamp was issued to its signer at the time.
    pub signer_holds_clamp: bool,
    /// The yards that had it then: several while its place was in doubt.
    #[serde(default)]
    pub yards: Vec<YardId>,
}

impl Waiting {
    /// A return with all its releases, as the clamp stood before it.
    pub fn of(before: &ClampState, entry: &Entry, body: &ReturnedToService) -> Self {
        let signer_holds_clamp = before
            .issued
            .as_ref()
            .is_some_and(|issued| issued.person == Some(entry.performed_by));
        Self {
            entry: entry.clone(),
            releases: body.releases.clone(),
            signer_holds_clamp,
            yards: before.yards(),
        }
    }
}

/// A second person's word on an entry.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Confirmation {
    /// The confirming entry.
    pub entry: EntryId,
    /// Who.
    pub by: PersonId,
    /// When.
    pub at: Timestamp,
}

/// A proof test that held.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PassedProofTest {
    /// When.
    pub at: Timestamp,
    /// The load.
    pub load: crate::quantity::Mass,
}

/// Where the tool crib has it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct IssuedTo {
    /// The issue.
    pub entry: EntryId,
    /// When.
    pub at: Timestamp,
    /// To whom.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub person: Option<PersonId>,
    /// Name or gang.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
}

/// Scrapped.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Retirement {
    /// The entry.
    pub entry: EntryId,
    /// When.
    pub at: Timestamp,
    /// Whether nobody signed for it: the clamp must not be used, but it stays one of those that bear its mark.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub is_unsigned: bool,
}

/// The state of a clamp after a set of entries.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ClampState {
    /// The clamp.
    pub clamp: ClampId,
    /// Number of entries folded.
    pub entries: u64,
    /// Place of the last entry folded.
    pub last: Option<(Timestamp, EntryId)>,
    /// Its registration.
    pub registration: Option<Registration>,
    /// Further registrations of the same clamp: they stand beside it until its identity is settled.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub registered_again: Vec<Registration>,
    /// Amendments, by the entry they cite.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub amendments: BTreeMap<EntryId, Vec<Entry>>,
    /// Amendments that rest on something: signed by a qualified person who cites a document.
    #[serde(default, skip_serializing_if = "BTreeSet::is_empty")]
    pub proven: BTreeSet<EntryId>,
    /// Confirmations, by the entry they confirm.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub confirmations: BTreeMap<EntryId, Vec<Confirmation>>,
    /// Where it is.
    pub places: Heads<YardId>,
    /// Where it ever was, and as what it was registered.
    #[serde(default)]
    pub shown: Shown,
    /// Its service class.
    pub classes: Heads<Class>,
    /// Lock-outs: every open one, and closed ones that were brought back or just closed.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub lockouts: BTreeMap<LockoutId, Lockout>,
    /// When the latest closed lock-out was closed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_closed_at: Option<Timestamp>,
    /// Returns that wait for evidence.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub waiting: BTreeMap<EntryId, Waiting>,
    /// Clocks.
    pub clocks: Clocks,
    /// Last readings on the present parts, by criterion and place.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub readings: Readings,
    /// Inspections with a reading better than the last one of the same part: a slip, so they are not complete.
    #[serde(default, skip_serializing_if = "BTreeSet::is_empty")]
    pub slips: BTreeSet<EntryId>,
    /// Uses.
    pub uses: Uses,
    /// The passed proof test with the highest load, the earliest of equal ones.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub proof_test: Option<PassedProofTest>,
    /// First issue.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first_issued_at: Option<Timestamp>,
    /// The first issue or use that somebody signed for: an exemption rests on this one only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first_seen_at: Option<Timestamp>,
    /// Who has it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub issued: Option<IssuedTo>,
    /// Scrapped: of several retirements that stand, one that somebody signed for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub retired: Option<Retirement>,
    /// The others, which stand if that one is undone.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub retired_again: Vec<Retirement>,
}

/// Whether an amendment rests on something: signed in person, citing a document, by somebody known as qualified when it
/// was written.
pub(crate) fn is_proven(entry: &Entry, amended: &Amended, reference: &Reference) -> bool {
    let cited = amended
        .document
        .as_deref()
        .is_some_and(|document| !document.trim().is_empty());
    entry.may_count() && cited && written_by_qualified(entry, reference)
}

/// Whether the author of an entry was known as a qualified person when they wrote it.
pub(crate) fn written_by_qualified(entry: &Entry, reference: &Reference) -> bool {
    let author = reference.people.get(&entry.performed_by);
    let known = Known::By(entry.counted_at);
    competent(author, CompetenceKind::QualifiedPerson, entry, known, reference)
}

impl ClampState {
    /// A clamp nothing is known of.
    pub fn new(clamp: ClampId) -> Self {
        Self {
            clamp,
            entries: 0,
            last: None,
            registration: None,
            registered_again: Vec::new(),
            amendments: BTreeMap::new(),
            proven: BTreeSet::new(),
            confirmations: BTreeMap::new(),
            places: Heads::default(),
            shown: Shown::default(),
            classes: Heads::default(),
            lockouts: BTreeMap::new(),
            last_closed_at: None,
            waiting: BTreeMap::new(),
            clocks: Clocks::default(),
            readings: Readings::new(),
            slips: BTreeSet::new(),
            uses: Uses::default(),
            proof_test: None,
            first_issued_at: None,
            first_seen_at: None,
            issued: None,
            retired: None,
            retired_again: Vec::new(),
        }
    }

    /// This instant, or that of the last entry if it is later: what is recorded has happened, whatever a clock says.
    pub fn latest(&self, instant: Timestamp) -> Timestamp {
        self.last.map_or(instant, |(last, _)| last.max(instant))
    }

    /// The open lock-outs, oldest first.
    pub fn open_lockouts(&self) -> Vec<&Lockout> {
        let mut open: Vec<_> = self
            .lockouts
            .values()
            .filter(|lockout| lockout.is_open())
            .collect();
        open.sort_by_key(|lockout| (lockout.opened_at, lockout.id));
        open
    }

    /// Hands out the closed lock-outs, to be kept elsewhere; the state goes on without them.
    pub fn take_closed(&mut self) -> Vec<Lockout> {
        let (closed, open) = std::mem::take(&mut self.lockouts)
            .into_iter()
            .partition(|(_, lockout)| lockout.closed.is_some());
        self.lockouts = open;
        let closed: BTreeMap<LockoutId, Lockout> = closed;
        closed.into_values().collect()
    }

    /// Brings closed lock-outs back that an entry names.
    pub fn hydrate(&mut self, lockouts: Vec<Lockout>) {
        for lockout in lockouts {
            self.lockouts.entry(lockout.id).or_insert(lockout);
        }
    }

    /// Whether a word on an entry is recorded that counts: it may have come before the entry itself.
    pub(crate) fn has_word_on(&self, entry: EntryId) -> bool {
        self.amendments.contains_key(&entry) || self.confirmations.contains_key(&entry)
    }

    /// The latest amendment of a field that somebody signed for, of any entry; of a rating, the latest that is proven.
    pub fn amended(&self, field: AmendmentField) -> Option<&Amended> {
        self.amendments_of(field)
            .filter(|(entry, _)| {
                self.may_count(entry) && (!field.is_rating() || self.proven.contains(&entry.id))
            })
            .max_by_key(|(entry, _)| entry.order())
            .map(|(_, amended)| amended)
    }

    /// Every amendment of a field.
    pub(crate) fn amendments_of(&self, field: AmendmentField) -> impl Iterator<Item = (&Entry, &Amended)> {
        self.amendments
            .values()
            .flatten()
            .filter_map(move |entry| match &entry.body {
                Body::Amended(amended) if amended.field == field => Some((entry, amended)),
                _ => None,
            })
    }

    fn amended_value<T: DeserializeOwned>(&self, field: AmendmentField) -> Option<T> {
        self.amended(field).and_then(value)
    }

    /// That somebody signed for its end: it leaves the fleet, and its mark to others.
    pub fn retirement(&self) -> Option<&Retirement> {
        self.retired.as_ref().filter(|retired| !retired.is_unsigned)
    }

    /// Every registration, the one that counts first.
    pub(crate) fn registrations(&self) -> impl Iterator<Item = &Registration> {
        self.registration.iter().chain(&self.registered_again)
    }

    /// The asset mark.
    pub fn asset_mark(&self) -> Option<String> {
        self.amended_value(AmendmentField::AssetMark).or_else(|| {
            self.registration
                .as_ref()
                .map(|registration| registration.body.asset_mark.clone())
        })
    }
    /// The serial number, if one is known.
    pub fn serial_number(&self) -> Option<String> {
        self.amended_value(AmendmentField::SerialNumber).or_else(|| {
            self.registration
                .as_ref()
                .and_then(|registration| registration.body.serial_number.clone())
        })
    }
    /// The model.
    pub fn model_id(&self) -> Option<crate::ids::ModelId> {
        self.amended_value(AmendmentField::ModelId).or_else(|| {
            self.registration
                .as_ref()
                .map(|registration| registration.body.model_id)
        })
    }
    /// Day of manufacture.
    pub fn manufactured_on(&self) -> Option<Date> {
        self.amended_value(AmendmentField::ManufacturedOn).or_else(|| {
            self.registration
                .as_ref()
                .and_then(|registration| registration.body.manufactured_on)
        })
    }
    /// The yards that have it: one, or several while its place is in doubt.
    pub fn yards(&self) -> Vec<YardId> {
        let mut yards: Vec<_> = self.places.live().map(|(_, yard)| *yard).collect();
        yards.sort_unstable();
        yards.dedup();
        yards
    }
    /// The service classes that stand.
    pub fn service_classes(&self) -> Vec<ServiceClass> {
        let mut classes: Vec<_> = self
            .classes
            .live()
            .map(|(_, class)| class.service_class)
            .collect();
        classes.sort_unstable();
        classes.dedup();
        classes
    }
}
