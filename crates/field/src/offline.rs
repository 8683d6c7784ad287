//! Judging without a network: the same rules as the service's, on what was last pulled.
//!
//! What the device itself wrote and the mirror does not show yet only takes fitness away. Every answer says how old its
//! knowledge is, and is "no" once that is older than the yard allows, or cannot be proven. Whatever is not known is "no".

mod own;

pub use own::{Taken, as_domain_entry, versions, with_own, with_own_for_judging};

use crate::clock::{Moment, later};
use crate::device;
use crate::failure::Done;
use crate::journal::{self, Pulled, Restriction};
use crate::mirror::{self, ClampRow, YardKnowledge};
use clampward_domain::calendar::Interval;
use clampward_domain::ids::{ClampId, LockoutId, PersonId, YardId};
use clampward_domain::reference::Reference;
use clampward_domain::schedule::Due;
use clampward_domain::source::Source;
use clampward_domain::standing::{self, Reason, Standing};
use clampward_domain::words::{FitnessReason, Status};
use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};
use rusqlite::Connection;
use serde::Serialize;
use std::borrow::Cow;

/// What to mind beside the answer.
pub const CAUTIONS: &[&str] = &[
    "This device records and reminds. The maker's instructions, the competent person and local law decide.",
    "Before every lift: try the lock by hand, seat the plate to the throat, look at the teeth, see that the eye is free.",
    "The plate, the rigging and the kind of lift are not judged here.",
    "A clamp may have been tagged out elsewhere since this device last heard from the service.",
];

/// Why the answer is "no": a word of the contract, or one of the device's own (`unknown_clamp`, `own_entry_unreadable`,
/// `unknown_model`, `unknown_yard`).
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct WhyNot {
    /// Stable code.
    pub code: Cow<'static, str>,
    /// For the person at the clamp.
    pub detail: String,
    /// Since when.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub since: Option<Timestamp>,
    /// The lock-out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lockout_id: Option<LockoutId>,
    /// The day on which it was due.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub due: Option<Date>,
    /// The rule behind it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub source: Option<Source>,
}

impl WhyNot {
    pub(crate) fn new(code: &'static str, detail: impl Into<String>) -> Self {
        Self {
            code: Cow::Borrowed(code),
            detail: detail.into(),
            since: None,
            lockout_id: None,
            due: None,
            source: None,
        }
    }
}

impl From<Reason> for WhyNot {
    fn from(reason: Reason) -> Self {
        Self {
            code: Cow::Borrowed(reason.code.code()),
            detail: reason.detail,
            since: reason.since,
            lockout_id: reason.lockout_id,
            due: reason.due,
            source: reason.source,
        }
    }
}

/// May this clamp be used, as far as this device knows?
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Answer {
    /// The mark as it was given.
    pub mark: String,
    /// The clamp that bears it, if there is just one.
    pub clamp_id: Option<ClampId>,
    /// Only ever true if everything that the device knows says so.
    pub fit: bool,
    /// Every reason why not.
    pub reasons: Vec<WhyNot>,
    /// Its status, by the mirror.
    pub status: Option<Status>,
    /// If it is fit: the first instant at which it no longer is, should nothing be recorded until then.
    pub fit_until: Option<Timestamp>,
    /// When inspections are due.
    pub due: Due,
    /// The instant of the device's knowledge, by the service's clock.
    pub known_at: Option<Timestamp>,
    /// How old that is at most, in seconds; nothing if it cannot be proven.
    pub age_seconds: Option<i64>,
    /// Until when the yard lets it count.
    pub knowledge_ends_at: Option<Timestamp>,
    /// Complete up to this position of the ledger.
    pub position: Option<u64>,
    /// Own entries about it that the mirror does not show yet.
    pub own_entries: usize,
    /// Marks that only look alike.
    pub look_alikes: Vec<String>,
}

/// What the device knows of a clamp, put together.
#[derive(Clone, Debug)]
pub struct Known {
    /// The mirror's row.
    pub row: ClampRow,
    /// The yards it was told by.
    pub yards: Vec<YardKnowledge>,
    /// Reference data for it.
    pub reference: Reference,
    /// Own entries that the mirror does not show yet.
    pub own: Vec<Restriction>,
}

/// Reads what the device knows of a clamp. `person` is whoever is about to write about it.
pub fn known(connection: &Connection, row: ClampRow, person: Option<PersonId>) -> Done<Known> {
    let yards = mirror::yards_of(connection, row.clamp_id)?;
    // What all of its yards tell, or its own state, which may be of a later page of one of them.
    let pulled: Vec<Pulled> = mirror::least(&yards).into_iter().chain([row.pulled()]).collect();
    let own = journal::own_entries(connection, Some(row.clamp_id), row.mark.as_deref(), &pulled)?;
    let told = own
        .iter()
        .filter_map(|own| own.entry.as_ref()?.judged_by.as_ref());
    let all_yards: Vec<YardId> = row
        .state
        .yards_ever()
        .into_iter()
        .chain(yards.iter().map(|yard| yard.yard_id))
        .chain(told.clone().map(|told| told.yard))
        .collect();
    // The lowest of all ratings counts, and a reading is judged by every model it was shown to be.
    let models: Vec<_> = row
        .state
        .models()
        .into_iter()
        .chain(told.map(|told| told.model))
        .collect();
    let people: Vec<_> = own
        .iter()
        .filter_map(|own| own.entry.as_ref())
        .map(|entry| entry.performed_by)
        .chain(person)
        .collect();
    let reference = mirror::reference_of(connection, &all_yards, &models, &people)?;
    Ok(Known {
        row,
        yards,
        reference,
        own,
    })
}

/// Judges whatever bears a mark.
///
/// All of it is read from one snapshot of the database: a page that is written meanwhile must not lend its age to a state
/// that was read before it.
pub fn judge(connection: &Connection, mark: &str, moment: &Moment) -> Done<Answer> {
    let snapshot = connection.unchecked_transaction()?;
    let answer = judge_within(&snapshot, mark, moment)?;
    snapshot.finish()?;
    Ok(answer)
}

fn judge_within(connection: &Connection, mark: &str, moment: &Moment) -> Done<Answer> {
    let bearers = mirror::bearing(connection, mark)?;
    let look_alikes = mirror::candidates(connection, mark)?;
    let (mut live, retired): (Vec<_>, Vec<_>) = bearers.into_iter().partition(|row| !row.retired);
    let mut answer = match (live.pop(), retired.into_iter().next()) {
        (Some(row), _) if live.is_empty() => clamp(connection, mark, row, moment)?,
        (Some(_), _) => {
            let mut answer = nothing(connection, mark)?;
            answer.reasons.push(WhyNot::new(
                FitnessReason::AmbiguousMark.code(),
                "More than one clamp bears this mark: do not use it until the yard lead has told them apart.",
            ));
            answer
        }
        (None, Some(row)) => clamp(connection, mark, row, moment)?,
        (None, None) => {
            let mut answer = nothing(connection, mark)?;
            answer.reasons.push(WhyNot::new(
                "unknown_clamp",
                "This device knows no clamp of this mark: read it again; if it is right, synchronise or ask the yard lead.",
            ));
            answer
        }
    };
    answer.look_alikes = look_alikes;
    answer.fit = answer.reasons.is_empty();
    if !answer.fit {
        answer.fit_until = None;
    }
    Ok(answer)
}

/// Whether the figures of every model are there that says anything about a clamp: an earlier one may have the lower rating.
fn knows_its_models(known: &Known, at: Timestamp) -> bool {
    let (state, reference) = (&known.row.state, &known.reference);
    let has_present = state
        .model_id()
        .is_some_and(|model| reference.model_at(model, at).is_some());
    has_present
        && state
            .models()
            .iter()
            .all(|model| reference.models.contains_key(model))
}

fn nothing(connection: &Connection, mark: &str) -> Done<Answer> {
    let own = journal::own_entries(connection, None, Some(mark), &[])?;
    Ok(Answer {
        mark: mark.to_owned(),
        clamp_id: None,
        fit: false,
        reasons: Vec::new(),
        status: None,
        fit_until: None,
        due: Due::default(),
        known_at: None,
        age_seconds: None,
        knowledge_ends_at: None,
        position: None,
        own_entries: own.len(),
        look_alikes: Vec::new(),
    })
}

fn clamp(connection: &Connection, mark: &str, row: ClampRow, moment: &Moment) -> Done<Answer> {
    let known = known(connection, row, None)?;
    let present = device::now(connection, moment)?;
    // After another history nothing is known until it was told anew: that is of the beginning of 1970.
    let known_at = known
        .yards
        .iter()
        .map(|yard| yard.known_at)
        .min()
        .filter(|at| *at != Timestamp::UNIX_EPOCH);
    // What is recorded has happened, whatever a clock says.
    let at = known
        .row
        .state
        .latest(present.at())
        .max(known_at.unwrap_or(Timestamp::MIN));
    let Standing {
        status,
        reasons,
        fit_until,
        due,
        ..
    } = standing::standing(&known.row.state, &known.reference, at);
    let mut why: Vec<WhyNot> = reasons.into_iter().map(WhyNot::from).collect();
    let mut ends: Vec<Timestamp> = fit_until.into_iter().collect();
    if !knows_its_models(&known, at) {
        why.push(WhyNot::new(
            "unknown_model",
            "This device does not know the clamp's model: synchronise.",
        ));
    }
    let own = with_own(&known, at);
    for reason in own.reasons {
        let told = why
            .iter()
            .any(|told| told.code == reason.code && told.lockout_id == reason.lockout_id);
        if !told {
            why.push(reason);
        }
    }
    ends.extend(own.fit_until);
    let knowledge_ends_at = known_at.and_then(|known_at| knowledge_ends_at(&known, known_at, at));
    let too_old = match (present.doubt(), knowledge_ends_at) {
        (Some(doubt), _) => Some(doubt.detail().to_owned()),
        (None, None) => {
            Some("This device does not know how old its knowledge may be: synchronise.".to_owned())
        }
        (None, Some(end)) if end <= at => Some(format!(
            "What this device knows is of {}, older than the yard allows: synchronise before you lift.",
            known_at.map_or_else(String::new, shown)
        )),
        (None, Some(_)) => None,
    };
    if let Some(detail) = too_old {
        why.push(WhyNot::new(FitnessReason::KnowledgeTooOld.code(), detail));
    }
    ends.extend(knowledge_ends_at);
    Ok(Answer {
        mark: mark.to_owned(),
        clamp_id: Some(known.row.clamp_id),
        fit: false,
        reasons: why,
        status: Some(status),
        fit_until: ends.into_iter().min(),
        due,
        known_at,
        age_seconds: known_at
            .filter(|_| present.doubt().is_none())
            .map(|known_at| at.duration_since(known_at).as_secs()),
        knowledge_ends_at,
        position: known.yards.iter().map(|yard| yard.known_position).min(),
        own_entries: known.own.len(),
        look_alikes: Vec::new(),
    })
}

/// Until when knowledge counts: by the strictest yard that has the clamp. Days and months count as hours, never more
/// than they can be.
fn knowledge_ends_at(known: &Known, known_at: Timestamp, at: Timestamp) -> Option<Timestamp> {
    let told_by = known.yards.iter().map(|yard| yard.yard_id);
    let yards: Vec<YardId> = known.row.state.yards().into_iter().chain(told_by).collect();
    yards
        .iter()
        .map(|yard| {
            let limit = known.reference.yard_at(*yard, at)?.value.knowledge_limit;
            let hours = match limit {
                Interval::Hours(hours) => i64::from(hours),
                Interval::Days(days) => i64::from(days) * 24,
                Interval::Months(months) => i64::from(months) * 28 * 24,
            };
            Some(later(known_at, SignedDuration::from_hours(hours)))
        })
        // A yard whose limit is not known allows nothing.
        .min()
        .flatten()
}

/// An instant for a person.
fn shown(at: Timestamp) -> String {
    at.strftime("%F %H:%M UTC").to_string()
}
