//! Events that other programs are told of: which there are, which follow from what is recorded or from the passing of time,
//! and their ids.
//!
//! An event says that something happened to one thing and where that is read. Its id is derived from what it follows from
//! and its type: whoever works it out, and however often, comes to the same, also where a failover gave the position in the
//! ledger to something else.

use crate::entry::Entry;
use crate::ids::{ClampId, DERIVED, LockoutId};
use crate::judge::Outcome;
use crate::out_period::OutKind;
use crate::words::{EntryKind, words};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

words! {
    /// What an event says.
    EventType {
        /// Something was recorded of a clamp, or a day came that makes it another: read it again.
        ClampChanged = "clamp.changed",
        /// A lock-out bars a clamp.
        ClampTaggedOut = "clamp.tagged_out",
        /// Lock-outs of a clamp were released; whether another bars it is read from the clamp.
        ClampReturnedToService = "clamp.returned_to_service",
        /// A clamp that was fit until then is not fit any more, because a day or an hour came.
        ClampFitnessEnded = "clamp.fitness_ended",
        /// A clamp was retired.
        ClampRetired = "clamp.retired",
        /// An inspection was recorded.
        InspectionRecorded = "inspection.recorded",
        /// An inspection of a clamp that nothing else keeps from use has become overdue.
        InspectionOverdue = "inspection.overdue",
        /// A safety bulletin was opened.
        BulletinOpened = "bulletin.opened",
        /// A safety bulletin was closed.
        BulletinClosed = "bulletin.closed",
        /// A delivery that somebody asked for to try an endpoint out.
        WebhookTest = "webhook.test",
    }
    /// What became of a delivery.
    DeliveryState {
        /// It is still to be made, or made again.
        Waiting = "waiting",
        /// The endpoint took it.
        Delivered = "delivered",
        /// It was given up.
        GivenUp = "given_up",
    }
    /// Why an endpoint is told nothing at present.
    PausedBecause {
        /// Somebody paused it.
        ByHand = "by_hand",
        /// Nothing could be delivered for days.
        Failing = "failing",
        /// It said that it is gone (410).
        Gone = "gone",
    }
}

impl EventType {
    /// Whether an endpoint says that it wants it; the others it gets when somebody asks for them.
    pub fn is_subscribed(self) -> bool {
        self != Self::WebhookTest
    }
}

/// The id of an event: one for what it follows from and its type.
pub fn event_id(follows_from: Uuid, kind: EventType) -> Uuid {
    derived(&["event", &follows_from.to_string(), kind.code()])
}

/// What an event follows from that no entry is behind: a clamp and an instant.
pub fn moment_id(clamp: ClampId, at: Timestamp) -> Uuid {
    derived(&["moment", &clamp.to_string(), &at.to_string()])
}

/// What an event follows from that a lock-out is behind whose day came.
pub fn barring_id(lockout: LockoutId) -> Uuid {
    derived(&["barring", &lockout.to_string()])
}

fn derived(parts: &[&str]) -> Uuid {
    Uuid::new_v5(&DERIVED, parts.join("\u{1f}").as_bytes())
}

/// Events of an entry that came to this. What bars only from a later day on is told of that day ([`barred_since`]).
pub fn of_entry(entry: &Entry, outcome: &Outcome) -> Vec<EventType> {
    let mut types = vec![EventType::ClampChanged];
    match entry.body.kind() {
        EntryKind::Inspected => types.push(EventType::InspectionRecorded),
        EntryKind::Retired => types.push(EventType::ClampRetired),
        _ => {}
    }
    // One that was closed already when its entry arrived late barred nobody since.
    let bars = |id: &LockoutId| !outcome.closed.contains(id);
    if outcome
        .opened
        .iter()
        .any(|lockout| lockout.bars_from <= entry.counted_at && bars(&lockout.id))
    {
        types.push(EventType::ClampTaggedOut);
    }
    if !outcome.closed.is_empty() {
        types.push(EventType::ClampReturnedToService);
    }
    types
}

/// Lock-outs of an entry whose day came before it was recorded: nobody looked at that day for them.
pub fn barred_since(entry: &Entry, outcome: &Outcome, recorded_at: Timestamp) -> Vec<LockoutId> {
    let dated = outcome.opened.iter().filter(|lockout| {
        lockout.bars_from > entry.counted_at
            && lockout.bars_from <= recorded_at
            && !outcome.closed.contains(&lockout.id)
    });
    dated.map(|lockout| lockout.id).collect()
}

/// Events of an instant at which a clamp begins to be out in this way, or is fit again if in none. `before` is the way in which
/// it was out until then, if it was; `by_date` says that the day of a lock-out came, which is told by itself ([`barring_id`]).
pub fn of_moment(kind: Option<OutKind>, before: Option<OutKind>, by_date: bool) -> Vec<EventType> {
    let Some(kind) = kind else {
        return vec![EventType::ClampChanged];
    };
    let comes_by_itself = match kind {
        OutKind::Overdue | OutKind::NotFit => true,
        OutKind::TaggedOut => by_date,
        OutKind::AwaitingInitialInspection => false,
    };
    if !comes_by_itself {
        return Vec::new();
    }
    let mut types = vec![EventType::ClampChanged];
    if before.is_none() {
        types.push(EventType::ClampFitnessEnded);
    }
    if kind == OutKind::Overdue && before != Some(OutKind::Overdue) {
        types.push(EventType::InspectionOverdue);
    }
    types
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_event_has_one_id_for_what_it_follows_from_and_its_type() {
        let entry = Uuid::from_u128(7);
        let id = event_id(entry, EventType::ClampTaggedOut);
        assert_eq!(id, event_id(entry, EventType::ClampTaggedOut));
        assert_ne!(id, event_id(entry, EventType::ClampChanged));
        assert_ne!(id, event_id(Uuid::from_u128(8), EventType::ClampTaggedOut));
        assert_eq!(id.get_version_num(), 5);
    }

    #[test]
    fn fitness_ends_once_and_an_inspection_becomes_overdue_once() {
        use EventType::{ClampChanged, ClampFitnessEnded, InspectionOverdue};
        let of = |kind, before| of_moment(Some(kind), before, false);
        assert_eq!(
            of(OutKind::Overdue, None),
            [ClampChanged, ClampFitnessEnded, InspectionOverdue]
        );
        assert_eq!(of(OutKind::Overdue, Some(OutKind::Overdue)), [ClampChanged]);
        assert_eq!(of(OutKind::NotFit, Some(OutKind::Overdue)), [ClampChanged]);
        assert_eq!(of(OutKind::TaggedOut, None), []);
        assert_eq!(
            of_moment(Some(OutKind::TaggedOut), None, true),
            [ClampChanged, ClampFitnessEnded]
        );
        assert_eq!(
            of_moment(Some(OutKind::TaggedOut), Some(OutKind::Overdue), true),
            [ClampChanged]
        );
        assert_eq!(of_moment(None, Some(OutKind::Overdue), false), [ClampChanged]);
        assert_eq!(of(OutKind::AwaitingInitialInspection, None), []);
    }
}
