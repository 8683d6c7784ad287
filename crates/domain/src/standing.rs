//! Standing: what a state says at an instant. Nothing has to run at midnight for a clamp to become overdue.

mod clocks;
mod short;
use clocks::Clocks;
pub use short::{MAX_REASONS, shorten_reasons};

use crate::bulletin::{Matcher, covers};
use crate::calendar::Zone;
use crate::fold::ClampState;
use crate::ids::LockoutId;
use crate::lockout::Lockout;
use crate::reference::{Model, Reference, Yard};
use crate::rule_set;
use crate::schedule::{Due, DueDate, Terms};
use crate::source::{Certainty, Source};
use crate::words::{FitnessReason, ServiceClass, Status};
use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

/// Why a clamp is not fit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Reason {
    /// Stable code.
    pub code: FitnessReason,
    /// For a person in the yard: what, since when, and what to do.
    pub detail: String,
    /// Since when.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub since: Option<Timestamp>,
    /// The lock-out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lockout_id: Option<LockoutId>,
    /// The day on which it was due.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub due: Option<Date>,
    /// The rule behind it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<Source>,
}

/// A clamp at an instant.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Standing {
    /// Its status.
    pub status: Status,
    /// Whether it may be used.
    pub fit: bool,
    /// Why not. An answer about an entry names at most 20.
    pub reasons: Vec<Reason>,
    /// How many reasons there are, where not all are named: `GET /v1/clamps/{id}` names all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reasons_in_all: Option<u64>,
    /// If it is fit: the first instant at which it no longer is, should nothing be recorded until then.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fit_until: Option<Timestamp>,
    /// When inspections are due.
    pub due: Due,
    /// The service class that counts (the stricter, if several stand).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub service_class: Option<ServiceClass>,
}

/// So far two clocks may differ.
const CLOCKS_APART: SignedDuration = SignedDuration::from_mins(5);
const BULLETIN: Source = Source::fixed(
    "a safety bulletin bars every clamp in its scope at once",
    Certainty::Practice,
);
const RETIRED: Source = Source::fixed("scrapped: made unusable, number retired", Certainty::Practice);

/// The standing of a clamp at an instant. Before it was registered it is not fit.
pub fn standing(state: &ClampState, reference: &Reference, at: Timestamp) -> Standing {
    let mut now = momentary(state, reference, at);
    if !now.fit {
        now.fit_until = None;
        return now;
    }
    // A version of a yard or model that comes into force before the end may end fitness earlier, or move the end.
    let mut end = now.fit_until;
    let mut changes = changes_of_versions(state, reference, at);
    changes.sort_unstable();
    for change in changes {
        if end.is_some_and(|end| end <= change) {
            break;
        }
        let then = momentary(state, reference, change);
        end = if then.fit { then.fit_until } else { Some(change) };
        if !then.fit {
            break;
        }
    }
    now.fit_until = end;
    now
}

/// The standing at an instant as it is answered to people: a bulletin bars the clamps in its scope from when it is opened, not
/// from when each hold is written. Never what is stored: the holds are.
pub fn standing_now(state: &ClampState, reference: &Reference, at: Timestamp) -> Standing {
    let mut now = standing(state, reference, at);
    if state.retirement().is_some() {
        return now;
    }
    for (id, opened) in &reference.bulletins {
        // Whoever answers may have another clock than whoever opened it.
        let was_open = at.duration_since(opened.opened_at) >= -CLOCKS_APART;
        if !was_open || !opened.may_bar_unheld(state.clamp) {
            continue;
        }
        let is_held = state
            .lockouts
            .values()
            .any(|lockout| lockout.bulletin == Some(*id));
        if is_held || covers(&Matcher::of(&opened.bulletin.scope), state, reference, at).is_none() {
            continue;
        }
        let bulletin = &opened.bulletin;
        let day = Zone::utc().date_at(opened.opened_at);
        now.reasons.push(Reason {
            code: FitnessReason::TaggedOut,
            detail: format!(
                "In the scope of bulletin {} of {}, opened {day}: do not use it; it is being tagged out.",
                bulletin.code, bulletin.issued_by
            ),
            since: Some(opened.opened_at),
            lockout_id: None,
            due: None,
            source: Some(BULLETIN),
        });
        now.fit = false;
        now.fit_until = None;
        now.status = Status::TaggedOut;
    }
    now.reasons.sort_by_key(|a| (a.code, a.since, a.lockout_id));
    now
}

/// The standing at an instant, and the next instant at which it may be another although nothing is recorded.
pub(crate) fn moment(
    state: &ClampState,
    reference: &Reference,
    at: Timestamp,
) -> (Standing, Option<Timestamp>) {
    let (standing, mut changes) = look(state, reference, at);
    changes.extend(changes_of_versions(state, reference, at));
    for lockout in state.lockouts.values() {
        changes.push(lockout.bars_from);
        changes.extend(lockout.closed.as_ref().map(|closing| closing.at));
    }
    changes.retain(|change| *change > at);
    (standing, changes.into_iter().min())
}

/// When another version of its yards or its model comes into force.
fn changes_of_versions(state: &ClampState, reference: &Reference, at: Timestamp) -> Vec<Timestamp> {
    state
        .yards()
        .iter()
        .filter_map(|yard| reference.yards.get(yard))
        .flat_map(|versions| versions.changes_after(at))
        .chain(
            state
                .model_id()
                .and_then(|model| reference.models.get(&model))
                .into_iter()
                .flat_map(|versions| versions.changes_after(at)),
        )
        .collect()
}

/// The standing under the versions in force at the instant.
fn momentary(state: &ClampState, reference: &Reference, at: Timestamp) -> Standing {
    look(state, reference, at).0
}

/// The same, with the instants to come at which it may be another.
fn look(state: &ClampState, reference: &Reference, at: Timestamp) -> (Standing, Vec<Timestamp>) {
    let mut reasons = Vec::new();
    let mut ends: Vec<Timestamp> = Vec::new();
    if let Some(retired) = &state.retired {
        reasons.push(reason(
            FitnessReason::Retired,
            if retired.is_unsigned {
                format!(
                    "Said to be retired since {}, which nobody signed for.",
                    retired.at
                )
            } else {
                format!("Retired since {}: must not be used again.", retired.at)
            },
            Some(RETIRED),
        ));
    }
    // One that was closed after the instant asked barred then.
    for lockout in state.lockouts.values() {
        if lockout.bars_at(at) {
            reasons.push(barred(lockout));
        } else if lockout.is_open() {
            ends.push(lockout.bars_from);
        }
    }
    let mut due = Due::default();
    let mut awaiting = false;
    let mut service_class = None;
    for (yard, model) in places(state, reference, at) {
        for (_, class) in state.classes.live() {
            let terms = Terms {
                yard,
                model,
                rules: rule_set::current(yard.rule_set),
                service_class: class.service_class,
                direction: class.direction.as_ref(),
            };
            let mut clocks = Clocks {
                state,
                terms,
                at,
                reasons: &mut reasons,
                ends: &mut ends,
                awaiting: false,
            };
            let one = clocks.run();
            awaiting |= clocks.awaiting;
            let stricter = service_class.is_none_or(|kept| {
                let (one, kept_due) = (one.periodic.as_ref(), due.periodic.as_ref());
                earlier(one, kept_due)
                    || (!earlier(kept_due, one) && hardness(class.service_class) > hardness(kept))
            });
            if stricter {
                service_class = Some(class.service_class);
            }
            keep_earlier(&mut due.frequent, one.frequent);
            keep_earlier(&mut due.periodic, one.periodic);
        }
    }
    let unknown_yard = state
        .yards()
        .iter()
        .any(|yard| reference.yard_at(*yard, at).is_none());
    let not_yet_known = state
        .registration
        .as_ref()
        .is_none_or(|registration| at < registration.at);
    if service_class.is_none() || unknown_yard || not_yet_known {
        awaiting = true;
        reasons.push(reason(
            FitnessReason::AwaitingInitialInspection,
            "Nothing is known of its yard or class.".to_owned(),
            None,
        ));
    }
    reasons.sort_by_key(|a| (a.code, a.since, a.lockout_id));
    reasons.dedup_by(|a, b| a.code == b.code && a.lockout_id == b.lockout_id);
    let barred = reasons
        .iter()
        .any(|reason| reason.code == FitnessReason::TaggedOut);
    let status = if state.retirement().is_some() {
        Status::Retired
    } else if barred {
        Status::TaggedOut
    } else if awaiting {
        Status::AwaitingInitialInspection
    } else {
        Status::InService
    };
    let standing = Standing {
        status,
        fit: reasons.is_empty(),
        reasons,
        reasons_in_all: None,
        fit_until: ends.iter().copied().min(),
        due,
        service_class,
    };
    (standing, ends)
}

fn places<'a>(
    state: &ClampState,
    reference: &'a Reference,
    at: Timestamp,
) -> Vec<(&'a Yard, Option<&'a Model>)> {
    let model = state
        .model_id()
        .and_then(|model| reference.model_at(model, at))
        .map(|version| version.value.as_ref());
    state
        .yards()
        .into_iter()
        .filter_map(|yard| reference.yard_at(yard, at))
        .map(|version| (version.value.as_ref(), model))
        .collect()
}

/// How hard service is; special service, whose intervals are whatever a person directs, counts as the mildest.
fn hardness(class: ServiceClass) -> u8 {
    match class {
        ServiceClass::Special => 0,
        ServiceClass::Normal => 1,
        ServiceClass::Heavy => 2,
        ServiceClass::Severe => 3,
    }
}

fn earlier(a: Option<&DueDate>, b: Option<&DueDate>) -> bool {
    match (a, b) {
        (Some(a), Some(b)) => a.ends_at < b.ends_at,
        (Some(_), None) => true,
        (None, Some(_) | None) => false,
    }
}

fn keep_earlier(kept: &mut Option<DueDate>, other: Option<DueDate>) {
    if earlier(other.as_ref(), kept.as_ref()) {
        *kept = other;
    }
}

fn reason(code: FitnessReason, detail: String, source: Option<Source>) -> Reason {
    Reason {
        code,
        detail,
        since: None,
        lockout_id: None,
        due: None,
        source,
    }
}

fn barred(lockout: &Lockout) -> Reason {
    let what = lockout
        .criterion
        .as_deref()
        .and_then(crate::criteria::criterion)
        .map_or_else(
            || lockout.what().replace('_', " "),
            |criterion| criterion.code.replace('_', " "),
        );
    let place = lockout
        .place
        .as_deref()
        .map(|place| format!(" ({place})"))
        .unwrap_or_default();
    let day = Zone::utc().date_at(lockout.bars_from);
    Reason {
        code: FitnessReason::TaggedOut,
        detail: format!("Tagged out since {day}: {what}{place}. Do not use it; see the yard lead."),
        since: Some(lockout.bars_from),
        lockout_id: Some(lockout.id),
        due: None,
        source: Some(lockout.source.clone()),
    }
}
