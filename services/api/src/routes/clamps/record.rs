//! What every entry endpoint does: hand one entry in at the door, and answer what became of it.

use crate::extract::Authorized;
use crate::permission::Permission;
use crate::reply::{Answer, Failure};
use actix_web::HttpResponse;
use actix_web::http::StatusCode;
use clampward_domain::entry::Body;
use clampward_domain::ids::ClampId;
use clampward_domain::judge::{Refusal, RefusalCode};
use clampward_domain::standing::shorten_reasons;
use clampward_store::{Author, Mode, NewEntry, RecordError, Recorded, Recording};
use clampward_wire::entry::{EntryReply, EntryRequest, RecordedAs};
use clampward_wire::problem::{self, FieldError, Kind, Problem};
use serde_json::Value;

/// How many conditions that do not hold the detail of a problem names; `unmet` has all of them.
const NAMED_CONDITIONS: usize = 3;

/// Records one entry of a clamp, signed by the caller.
pub(crate) async fn record<P: Permission, B: Into<Body>>(
    call: &Authorized<P>,
    clamp_id: ClampId,
    request: EntryRequest<B>,
) -> Answer {
    let recorded = hand_in(call, clamp_id, request).await?;
    let already = recorded.already;
    let status = if already {
        StatusCode::OK
    } else {
        StatusCode::CREATED
    };
    let mut answer = HttpResponse::build(status);
    if !already {
        answer.insert_header(("Location", format!("/v1/clamps/{clamp_id}/entries")));
    }
    Ok(answer.json(reply(recorded)))
}

/// Hands one entry in; it is refused while its author can still do otherwise.
pub(crate) async fn hand_in<P: Permission, B: Into<Body>>(
    call: &Authorized<P>,
    clamp_id: ClampId,
    request: EntryRequest<B>,
) -> Result<Recorded, Failure> {
    let request = request.into_body();
    let entry = NewEntry {
        id: request.entry_id,
        clamp_id,
        performed_at: request.performed_at,
        performed_by: call.person(),
        judged_by: None,
        body: request.body,
    };
    let author = Author {
        person: call.person(),
        signed: true,
        device: None,
        yards: call.yards().clone(),
    };
    let recording = Recording {
        author,
        mode: Mode::Refuse,
        entries: vec![entry],
    };
    let recorded = call.store().record(recording).await.map_err(failure)?;
    recorded
        .into_iter()
        .next()
        .ok_or_else(|| Failure::not_found("clamp"))
}

/// What is told of a recorded entry: of a clamp outside the caller's yards, only that it is recorded.
pub(crate) fn reply(recorded: Recorded) -> EntryReply {
    let outcome = if recorded.already {
        RecordedAs::AlreadyRecorded
    } else {
        RecordedAs::Recorded
    };
    let theirs = recorded.seq.is_some();
    EntryReply {
        entry_id: recorded.id,
        outcome,
        seq: recorded.seq,
        position: theirs.then_some(recorded.position),
        recorded_at: theirs.then_some(recorded.recorded_at),
        result: recorded.outcome,
        state_now: recorded.state_now,
    }
}

/// A refusal of the door as a problem.
pub(crate) fn failure(error: RecordError) -> Failure {
    match error {
        RecordError::NotFound { .. } => Failure::not_found("clamp"),
        RecordError::IdReused { .. } => Failure::new(
            problem::ID_REUSED,
            "This entry id was used before for other content: give a new fact a new id.",
        ),
        RecordError::NumberTaken { .. } => Failure::new(
            problem::NUMBER_TAKEN,
            "A clamp of this maker bears this serial number already; numbers of scrapped clamps are never used again.",
        ),
        RecordError::Malformed { errors, .. } => {
            Problem::input(errors.into_iter().map(FieldError::from).collect()).into()
        }
        RecordError::Refused { refusals, .. } => refused(refusals),
        RecordError::TooMany(count) => Failure::new(
            problem::BODY_TOO_LARGE,
            format!("{count} entries are too many at once."),
        ),
        RecordError::Store(error) => error.into(),
    }
}

fn kind(code: RefusalCode) -> Kind {
    match code {
        RefusalCode::ReleaseNotSupported => problem::RELEASE_NOT_SUPPORTED,
        RefusalCode::TaggedOut => problem::TAGGED_OUT,
        RefusalCode::NotFit => problem::NOT_FIT,
        RefusalCode::Retired => problem::CLAMP_RETIRED,
        RefusalCode::AlreadyRegistered
        | RefusalCode::MilderClass
        | RefusalCode::CitesUnknown
        | RefusalCode::OwnEntry
        | RefusalCode::SafeToOperateContradicted
        | RefusalCode::AmendmentRole => problem::STATE_CONFLICT,
    }
}

/// Every reason in one problem, named after the first.
fn refused(mut refusals: Vec<Refusal>) -> Failure {
    let in_all = refusals
        .iter_mut()
        .filter_map(|refusal| shorten_reasons(&mut refusal.reasons))
        .max();
    let first = refusals
        .first()
        .map_or(RefusalCode::CitesUnknown, |refusal| refusal.code);
    let details: Vec<&str> = refusals.iter().map(|refusal| refusal.detail.as_str()).collect();
    let unmet: Vec<_> = refusals.iter().flat_map(|refusal| &refusal.unmet).collect();
    let named = unmet
        .iter()
        .take(NAMED_CONDITIONS)
        .map(|unmet| unmet.detail.as_str());
    let details: Vec<&str> = details.into_iter().chain(named).collect();
    let mut problem = Problem::new(kind(first), details.join("; "));
    let reasons: Vec<_> = refusals.iter().flat_map(|refusal| &refusal.reasons).collect();
    for (name, value) in [
        ("unmet", serde_json::to_value(&unmet)),
        ("reasons", serde_json::to_value(&reasons)),
        ("refusals", serde_json::to_value(&refusals)),
    ] {
        match value {
            Ok(value) if value.as_array().is_some_and(|items| !items.is_empty()) => {
                problem = problem.with(name, value)
            }
            Ok(_) => {}
            Err(error) => return Failure::internal(&error),
        }
    }
    if let Some(in_all) = in_all {
        problem = problem.with("reasons_in_all", Value::from(in_all));
    }
    problem.into()
}
