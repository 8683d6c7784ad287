//! What the fold remembers of a clamp.
//!
//! It holds what later entries and questions need, not the history: its size grows with what is open, not with the
//! number of inspections. Closed lock-outs are handed out by [`ClampState::take_closed`] and brought back by
//! [`ClampState::hydrate`] when an entry names them.

use super::{Heads, Uses};
use crate::calendar::Interval;
use crate::entry::{Declaration, Direction, Entry, ExaminationScheme, Registered, Release};
use crate::finding::Readings;
use crate::ids::{ClampId, EntryId, LockoutId, PersonId, YardId};
use crate::lockout::Lockout;
use crate::words::{AmendmentField, ExaminationBasis, InspectionKind, RuleSetName, ServiceClass};
use jiff::Timestamp;
use jiff::civil::Date;
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
    /// What it said.
    pub body: Registered,
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
    /// Amendments, by the entry they cite.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub amendments: BTreeMap<EntryId, Vec<Entry>>,
    /// Confirmations, by the entry they confirm.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub confirmations: BTreeMap<EntryId, Vec<Confirmation>>,
    /// Where it is.
    pub places: Heads<YardId>,
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
    /// First issue.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first_issued_at: Option<Timestamp>,
    /// Who has it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub issued: Option<IssuedTo>,
    /// Scrapped.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub retired: Option<Retirement>,
}

/// Whether an amendment rests on something: signed in person, and citing a document.
pub(crate) fn is_proven(entry: &Entry, amended: &crate::entry::Amended) -> bool {
    let cited = amended
        .document
        .as_deref()
        .is_some_and(|document| !document.trim().is_empty());
    entry.may_count() && cited
}

impl ClampState {
    /// A clamp nothing is known of.
    pub fn new(clamp: ClampId) -> Self {
        Self {
            clamp,
            entries: 0,
            last: None,
            registration: None,
            amendments: BTreeMap::new(),
            confirmations: BTreeMap::new(),
            places: Heads::default(),
            classes: Heads::default(),
            lockouts: BTreeMap::new(),
            last_closed_at: None,
            waiting: BTreeMap::new(),
            clocks: Clocks::default(),
            readings: Readings::new(),
            slips: BTreeSet::new(),
            uses: Uses::default(),
            first_issued_at: None,
            issued: None,
            retired: None,
        }
    }

    /// This instant, or that of the last entry if it is later.
    pub(crate) fn latest(&self, instant: Timestamp) -> Timestamp {
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

    /// The latest amendment of a field, by anybody, of any entry; of a rating, the latest that cites a document.
    pub fn amended(&self, field: AmendmentField) -> Option<&crate::entry::Amended> {
        self.amendments
            .values()
            .flatten()
            .filter_map(|entry| match &entry.body {
                crate::entry::Body::Amended(amended)
                    if amended.field == field && (!field.is_rating() || is_proven(entry, amended)) =>
                {
                    Some((entry.order(), amended))
                }
                _ => None,
            })
            .max_by_key(|(order, _)| *order)
            .map(|(_, amended)| amended)
    }

    fn amended_value<T: serde::de::DeserializeOwned>(&self, field: AmendmentField) -> Option<T> {
        self.amended(field)
            .and_then(|amended| serde_json::from_value(amended.value.clone()).ok())
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
    /// WLL as registered or amended; the model's applies where there is none.
    pub fn own_wll(&self) -> Option<crate::quantity::Mass> {
        self.amended_value(AmendmentField::Wll).or_else(|| {
            self.registration
                .as_ref()
                .and_then(|registration| registration.body.wll)
        })
    }
    /// Jaw opening as registered or amended.
    pub fn own_jaw_opening(&self) -> Option<crate::quantity::Range<crate::quantity::Length>> {
        self.amended_value(AmendmentField::JawOpening).or_else(|| {
            self.registration
                .as_ref()
                .and_then(|registration| registration.body.jaw_opening)
        })
    }
    /// Declaration of conformity.
    pub fn declaration(&self) -> Option<Declaration> {
        self.amended_value(AmendmentField::Declaration).or_else(|| {
            self.registration
                .as_ref()
                .and_then(|registration| registration.body.declaration.clone())
        })
    }
    /// Day entered for putting it into service.
    pub fn put_into_service_on(&self) -> Option<Date> {
        self.amended_value(AmendmentField::PutIntoServiceOn).or_else(|| {
            self.registration
                .as_ref()
                .and_then(|registration| registration.body.put_into_service_on)
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
    /// The interval of the scheme of examination that was in force on the day of an examination. A scheme written
    /// afterwards cures no missed date: it counts only where it ends earlier.
    pub fn examination_scheme_on(&self, day: Date, examined_at: Timestamp) -> Option<Interval> {
        let in_force = |scheme: &ExaminationScheme| scheme.valid_from <= day;
        let mut amended: Vec<_> = self
            .amendments
            .values()
            .flatten()
            .filter_map(|entry| match &entry.body {
                crate::entry::Body::Amended(amended)
                    if amended.field == AmendmentField::ExaminationScheme =>
                {
                    let scheme: ExaminationScheme = serde_json::from_value(amended.value.clone()).ok()?;
                    Some((entry.order(), scheme))
                }
                _ => None,
            })
            .filter(|(_, scheme)| in_force(scheme))
            .collect();
        amended.sort_by_key(|(order, _)| *order);
        let (before, after): (Vec<_>, Vec<_>) =
            amended.into_iter().partition(|((at, _), _)| *at <= examined_at);
        let known = before
            .into_iter()
            .next_back()
            .map(|(_, scheme)| scheme)
            .or_else(|| {
                let registration = self.registration.as_ref()?;
                registration.body.examination_scheme.clone().filter(in_force)
            });
        let known = known.map(|scheme| scheme.interval);
        let legal = known.unwrap_or(Interval::Months(6));
        after
            .into_iter()
            .map(|(_, scheme)| scheme.interval)
            .filter(|interval| interval.after(day) < legal.after(day))
            .min_by_key(|interval| interval.after(day))
            .or(known)
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
