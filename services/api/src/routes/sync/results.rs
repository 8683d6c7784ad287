//! What became of a push, as its device is told.

use crate::limits::HELD_ENTRIES;
use crate::reply::Failure;
use clampward_domain::ids::EntryId;
use clampward_store::Store;
use clampward_store::sync::held::HeldReason as Reason;
use clampward_store::sync::push::{Became, BecameWhat, PushError, Pushed};
use clampward_wire::problem::{self, FieldError, Problem};
use clampward_wire::sync::push::{HeldReason, PushOutcome, PushReply, PushResult};
use jiff::SignedDuration;

/// Seconds that a device whose entries could not all be taken waits before it sends them again.
const SOON: u32 = 2;
/// Seconds after which it is worth sending an entry again for which no more may be held.
const LATER: u32 = 600;

/// The whole answer. `errors` are those of each element; `is_crowded` says that writes are near their limit.
pub async fn reply(
    store: &Store,
    pushed: Pushed,
    errors: &[Vec<FieldError>],
    is_crowded: bool,
) -> Result<PushReply, Failure> {
    let again = pushed
        .results
        .iter()
        .any(|became| matches!(became.outcome, BecameWhat::Retry | BecameWhat::TooManyHeld));
    let results = pushed
        .results
        .into_iter()
        .zip(errors)
        .map(|(became, errors)| result(became, errors))
        .collect();
    Ok(PushReply {
        results,
        stable_position: store.stable_position().await?,
        received_to: pushed.progress.received_to,
        missing: pushed.progress.missing,
        server_time: store.now(),
        device_number: pushed.new_number,
        wait_seconds: (is_crowded || again).then_some(SOON),
    })
}

/// Why nothing of a push was done.
pub fn failure(error: PushError) -> Failure {
    match error {
        PushError::UnderWay => Failure::new(
            problem::PUSH_UNDER_WAY,
            "Another push of this device is being recorded: wait for its end, then send this one again.",
        )
        .retry_after(SignedDuration::from_secs(1)),
        PushError::Store(error) => error.into(),
    }
}

fn result(became: Became, errors: &[FieldError]) -> PushResult {
    let mut result = PushResult {
        index: became.index,
        id: became.id,
        outcome: PushOutcome::Retry,
        held: None,
        seq: None,
        position: None,
        recorded_at: None,
        remarks: became.remarks,
        result: None,
        state_now: None,
        problem: None,
    };
    match became.outcome {
        BecameWhat::Recorded(recorded) => {
            result.outcome = if recorded.already {
                PushOutcome::AlreadyRecorded
            } else {
                PushOutcome::Recorded
            };
            // Of a clamp outside the device's yards no more is told than that it is recorded.
            let theirs = recorded.seq.is_some();
            result.seq = recorded.seq;
            result.position = theirs.then_some(recorded.position);
            result.recorded_at = theirs.then_some(recorded.recorded_at);
            result.result = recorded.outcome;
            result.state_now = recorded.state_now;
        }
        BecameWhat::Held { reason, detail, .. } => {
            result.outcome = PushOutcome::Held;
            result.held = Some(held(reason));
            result.problem = Some(if errors.is_empty() {
                Problem::new(problem::ENTRY_HELD, detail)
            } else {
                Problem::input(errors.to_vec())
            });
        }
        BecameWhat::Refused => {
            result.outcome = PushOutcome::Refused;
            let detail = "This entry id was used before for other content, and both are kept: a person has to look at it.";
            result.problem = Some(Problem::new(problem::ID_REUSED, detail));
        }
        BecameWhat::Retry => {}
        BecameWhat::TooManyHeld => {
            let detail = format!(
                "{} entries of this device wait to be placed already: what restricts nothing waits on the device.",
                HELD_ENTRIES.value
            );
            result.problem = Some(
                Problem::new(problem::TOO_MANY_HELD, detail)
                    .with("limit", HELD_ENTRIES.value)
                    .with("retry_after_seconds", LATER),
            );
        }
    }
    result
}

/// The word of the contract for a reason.
pub fn held(reason: Reason) -> HeldReason {
    match reason {
        Reason::UnknownKind => HeldReason::UnknownKind,
        Reason::Unreadable => HeldReason::Unreadable,
        Reason::UnknownClamp => HeldReason::UnknownClamp,
        Reason::AmbiguousMark => HeldReason::AmbiguousMark,
        Reason::UnknownReference => HeldReason::UnknownReference,
        Reason::DeviceRevoked => HeldReason::DeviceRevoked,
        Reason::Internal => HeldReason::Internal,
        Reason::IdReused => HeldReason::IdReused,
    }
}

/// The id of an entry that has one of its own: what stands for one that could not be read is derived.
pub fn own_id(id: EntryId) -> Option<EntryId> {
    const DERIVED_VERSION: usize = 5;
    (id.uuid().get_version_num() != DERIVED_VERSION).then_some(id)
}
