//! What the device's own entries take away. They open lock-outs and start waits; they close nothing and credit nothing.

use super::{Known, WhyNot};
use crate::journal::{KeptState, Restriction};
use clampward_domain::entry::{Body, Entry, JudgedBy};
use clampward_domain::fold::{ClampState, Evidence};
use clampward_domain::reference::Reference;
use clampward_domain::standing::standing;
use clampward_domain::words::FitnessReason;
use clampward_wire::sync::push::PushEntry;
use jiff::Timestamp;

/// What own entries come to.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Taken {
    /// Reasons that they add.
    pub reasons: Vec<WhyNot>,
    /// When they end fitness, if they do not already.
    pub fit_until: Option<Timestamp>,
}

impl Taken {
    /// Adds a reason, unless it was told before.
    fn tell(&mut self, reason: WhyNot) {
        let is_same = |told: &WhyNot| told.code == reason.code && told.lockout_id == reason.lockout_id;
        if !self.reasons.iter().any(is_same) {
            self.reasons.push(reason);
        }
    }
}

/// What own entries take away at an instant.
pub fn with_own(known: &Known, at: Timestamp) -> Taken {
    let mut taken = Taken::default();
    let mut ends = Vec::new();
    if known.own.is_empty() {
        return taken;
    }
    let mut state = known.row.state.clone();
    for restriction in &known.own {
        let Some(entry) = as_entry(known, restriction, at) else {
            taken.tell(WhyNot::new(
                "own_entry_unreadable",
                "An entry about this clamp on this device cannot be read by this version: synchronise, or see the yard lead.",
            ));
            continue;
        };
        if cannot_be_judged(&state, &entry, &known.reference) {
            taken.tell(WhyNot::new(
                "unknown_yard",
                "An inspection on this device was judged by other figures than the clamp's, and this device does not know \
                 every yard that the clamp was in: synchronise, or see the yard lead.",
            ));
        }
        for lockout in state.opened_by(&entry, &state.readings, &known.reference) {
            if lockout.bars_from <= at {
                taken.tell(WhyNot {
                    since: Some(lockout.bars_from),
                    lockout_id: Some(lockout.id),
                    source: Some(lockout.source.clone()),
                    ..WhyNot::new(
                        FitnessReason::TaggedOut.code(),
                        format!(
                            "Tagged out on this device ({}): {}. Do not use it; see the yard lead.",
                            sent(restriction.kept.state),
                            lockout.what().replace('_', " ")
                        ),
                    )
                });
            } else {
                ends.push(lockout.bars_from);
            }
        }
        take_away(&mut state, &entry, &known.reference);
    }
    let after = standing(&state, &known.reference, at);
    for reason in after.reasons {
        taken.tell(reason.into());
    }
    ends.extend(after.fit_until);
    taken.fit_until = ends.into_iter().min();
    taken
}

/// Whether an inspection was judged elsewhere and would be judged by a yard that this device knows nothing of.
fn cannot_be_judged(state: &ClampState, entry: &Entry, reference: &Reference) -> bool {
    matches!(entry.body, Body::Inspected(_))
        && state.elsewhere(entry).is_some()
        && !state
            .yards_ever()
            .iter()
            .all(|yard| reference.yards.contains_key(yard))
}

/// The state with own entries in it, for judging the next one: what they free is left out here too.
pub fn with_own_for_judging(known: &Known, at: Timestamp) -> ClampState {
    let mut state = known.row.state.clone();
    for restriction in &known.own {
        if let Some(entry) = as_entry(known, restriction, at) {
            take_away(&mut state, &entry, &known.reference);
        }
    }
    state
}

/// Applies what an entry takes away. What could free the clamp is left to the service.
fn take_away(state: &mut ClampState, entry: &Entry, reference: &Reference) {
    match &entry.body {
        Body::ReturnedToService(_) | Body::Confirmed(_) | Body::Amended(_) | Body::Reassessed(_) => {}
        Body::Registered(_)
        | Body::Inspected(_)
        | Body::TaggedOut(_)
        | Body::Repaired(_)
        | Body::ProofTested(_)
        | Body::Transferred(_)
        | Body::Issued(_)
        | Body::Received(_)
        | Body::Classified(_)
        | Body::Used(_)
        | Body::Retired(_) => {
            let last = state.last;
            state.apply(entry, &Evidence::new(), reference);
            // One that tells of an earlier time does not make the state younger.
            state.last = state.last.max(last);
        }
    }
}

/// An own entry as the rules see it. It happened by now, whatever the clock said when it was written.
fn as_entry(known: &Known, restriction: &Restriction, at: Timestamp) -> Option<Entry> {
    as_domain_entry(known, restriction.entry.as_ref()?, at)
}

/// An entry of this device as the rules see it.
pub fn as_domain_entry(known: &Known, entry: &PushEntry, at: Timestamp) -> Option<Entry> {
    let body = Body::from_json(entry.kind, entry.body.clone()).ok()?;
    let judged_by = match &entry.judged_by {
        Some(told) => JudgedBy::from(told.clone()),
        None => versions(known, at)?,
    };
    Some(Entry {
        id: entry.id,
        clamp_id: known.row.clamp_id,
        performed_at: entry.performed_at,
        counted_at: entry.performed_at.min(at),
        performed_by: entry.performed_by,
        device_id: None,
        judged_by,
        signed: entry.signature.is_some(),
        placed: false,
        body,
    })
}

/// The versions that are in force for a clamp at an instant, as the device knows them.
pub fn versions(known: &Known, at: Timestamp) -> Option<JudgedBy> {
    let state = &known.row.state;
    // In two yards at once while its place is in doubt: the one that this device follows.
    let followed = known
        .yards
        .iter()
        .map(|yard| yard.yard_id)
        .find(|yard| state.yards().contains(yard));
    let yard_id = followed.or_else(|| state.yards().first().copied())?;
    let yard = known.reference.yard_at(yard_id, at)?;
    let model_id = state.model_id()?;
    let model = known.reference.model_at(model_id, at)?;
    Some(JudgedBy {
        yard_id,
        yard_version: yard.version,
        rule_set: yard.value.rule_set,
        rule_set_version: clampward_domain::rule_set::current(yard.value.rule_set).version,
        model_id,
        model_version: model.version,
    })
}

const fn sent(state: KeptState) -> &'static str {
    match state {
        KeptState::Unsent => "not sent yet",
        KeptState::Recorded => "sent, not heard back yet",
        KeptState::Held => "sent; a person has to place it",
        KeptState::Refused => "sent and refused",
        KeptState::Dismissed => "sent and dismissed, nothing heard since",
    }
}
