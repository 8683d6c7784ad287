//! `POST /v1/lift-checks`.

use crate::extract::{Authorized, Json};
use crate::permission::{CheckLifts, Permission};
use crate::reply::{Answer, Failure, ok};
use crate::routes::clamps::failure;
use actix_web::post;
use clampward_domain::entry::TaggedOut;
use clampward_domain::ids::{ClampId, EntryId, derived_entry_id};
use clampward_domain::lift_check::{
    ClampForLift, Decision, EveryLiftCheck, LiftCheckAnswer, LiftCheckRequest, LiftContext, NotFit, check,
};
use clampward_domain::particulars::{Particulars, particulars};
use clampward_domain::reference::{Model, YardScope};
use clampward_domain::standing::Standing;
use clampward_domain::words::LockoutReason;
use clampward_store::{Author, ClampNow, LiftCheckRecord, Mode, NewEntry, RecordError, Recording};
use jiff::Timestamp;
use std::borrow::Cow;

/// Ask whether a lift may be made
///
/// Answers `clear`, for that lift only, or `stop` with every reason, its number, its limit and its source, and the usual
/// cautions. Judged anew each time, also under the same id; every question and answer is kept. A failed every-lift check
/// tags the clamps out for everyone. The employer's competent person, the maker's instructions and local law decide.
#[utoipa::path(
    tag = "Lift checks",
    request_body = LiftCheckRequest,
    extensions(("x-permission" = json!(CheckLifts::NAME)), ("x-class" = json!("fitness")), ("x-problems" = json!(["not-found"]))),
    responses((status = 200, description = "Clear, or stop and why.", body = LiftCheckAnswer))
)]
#[post("/v1/lift-checks")]
pub async fn lift_check(call: Authorized<CheckLifts>, body: Json<LiftCheckRequest>) -> Answer {
    let request = body.0;
    if request.every_lift_check == EveryLiftCheck::Failed {
        tag_out(&call, &request).await?;
    }
    let mut listed: Vec<ClampId> = request.clamps.clone();
    listed.sort_unstable();
    listed.dedup();
    let mut clamps = Vec::with_capacity(listed.len());
    for id in listed {
        let clamp = call.store().clamp_now(id, call.yards()).await?;
        clamps.push(clamp.ok_or_else(|| Failure::not_found("clamp"))?);
    }
    // After the reading: an answer is never about a time before what it rests on.
    let now = call.now();
    let looked_up: Vec<LookedUp<'_>> = clamps.iter().filter_map(|clamp| look_up(clamp, now)).collect();
    let for_lift: Vec<ClampForLift<'_>> = looked_up.iter().filter_map(LookedUp::for_lift).collect();
    let answer = check(&request, &for_lift, &LiftContext::default());
    call.store()
        .keep_lift_check(&record(&call, &request, &answer, &clamps, now)?)
        .await?;
    ok(&answer)
}

/// A clamp with what a lift check asks of it.
struct LookedUp<'a> {
    clamp: &'a ClampNow,
    particulars: Particulars,
    model: &'a Model,
    standing: Standing,
}

fn look_up(clamp: &ClampNow, now: Timestamp) -> Option<LookedUp<'_>> {
    let now = clamp.state.latest(now);
    let particulars = particulars(&clamp.state, &clamp.reference, now)?;
    let model = clamp
        .reference
        .model_at(particulars.model_id, now)?
        .value
        .as_ref();
    Some(LookedUp {
        clamp,
        particulars,
        model,
        standing: clamp.standing(now).in_short(),
    })
}

impl LookedUp<'_> {
    fn for_lift(&self) -> Option<ClampForLift<'_>> {
        let not_fit = self.standing.reasons.iter().map(|reason| NotFit {
            code: Cow::Borrowed(reason.code.code()),
            detail: reason.detail.clone(),
            source: reason.source.clone(),
        });
        Some(ClampForLift {
            clamp_id: self.clamp.state.clamp,
            wll: self.particulars.wll?,
            jaw_opening: self.particulars.jaw_opening?,
            model: self.model,
            own_mass: None,
            fit: self.standing.fit,
            not_fit: not_fit.collect(),
            rating_in_doubt: self.particulars.rating_in_doubt,
        })
    }
}

/// Tags every listed clamp out, so that a failed check always leaves them barred.
async fn tag_out(call: &Authorized<CheckLifts>, request: &LiftCheckRequest) -> Result<(), Failure> {
    for clamp_id in &request.clamps {
        tag_one_out(call, request, *clamp_id).await?;
    }
    Ok(())
}

/// One entry per clamp and check, its id derived, so that asking again writes nothing new; but once its lock-out was
/// closed, the same check that fails again is a new fact: it gets the next of its ids.
async fn tag_one_out(
    call: &Authorized<CheckLifts>,
    request: &LiftCheckRequest,
    clamp_id: ClampId,
) -> Result<(), Failure> {
    let (check, clamp) = (request.id.to_string(), clamp_id.to_string());
    let mut id = derived_entry_id(&["every_lift_check", &check, &clamp]);
    for times in 2_u64.. {
        let recorded = call
            .store()
            .record_derived(tag(call, request, clamp_id, id))
            .await;
        match recorded {
            Ok(recorded) if recorded.iter().any(|entry| !entry.already) => break,
            // Recorded before, at this or at another time: the clamp is barred if that lock-out is still open.
            Ok(_) | Err(RecordError::IdReused { .. }) => {}
            // A clamp that is not there must not keep the others from being tagged out; the answer tells of it.
            Err(RecordError::NotFound { .. }) => break,
            Err(error) => return Err(failure(error)),
        }
        let now = call.store().clamp_now(clamp_id, &YardScope::All).await?;
        let barred = now.is_none_or(|clamp| {
            let mut open = clamp.state.open_lockouts().into_iter();
            clamp.state.retired.is_some() || open.any(|lockout| lockout.opened_by_entry == id)
        });
        if barred {
            break;
        }
        id = derived_entry_id(&["every_lift_check", &check, &clamp, &times.to_string()]);
    }
    Ok(())
}

fn tag(
    call: &Authorized<CheckLifts>,
    request: &LiftCheckRequest,
    clamp_id: ClampId,
    id: EntryId,
) -> Recording {
    let entry = NewEntry {
        id,
        clamp_id,
        performed_at: call.now(),
        performed_by: call.person(),
        judged_by: None,
        body: TaggedOut {
            reason: LockoutReason::EveryLiftCheckFailed,
            note: None,
            photos: Vec::new(),
            bulletin: None,
            lift_check: Some(request.id),
        }
        .into(),
    };
    let author = Author {
        person: call.person(),
        signed: true,
        device: None,
        yards: call.yards().clone(),
    };
    Recording {
        author,
        mode: Mode::Record,
        entries: vec![entry],
    }
}

fn record(
    call: &Authorized<CheckLifts>,
    request: &LiftCheckRequest,
    answer: &LiftCheckAnswer,
    clamps: &[ClampNow],
    now: Timestamp,
) -> Result<LiftCheckRecord, Failure> {
    let json = |error: serde_json::Error| Failure::internal(&error);
    let mut yards: Vec<_> = clamps.iter().flat_map(|clamp| clamp.state.yards()).collect();
    yards.sort_unstable();
    yards.dedup();
    let decision = match answer.decision {
        Decision::Clear => "clear",
        Decision::Stop => "stop",
    };
    Ok(LiftCheckRecord {
        id: request.id,
        asked_at: now,
        asked_by: call.person(),
        clamps: clamps.iter().map(|clamp| clamp.state.clamp).collect(),
        yards,
        decision: decision.to_owned(),
        position: clamps
            .iter()
            .map(|clamp| clamp.knowledge.position)
            .max()
            .unwrap_or_default(),
        request: serde_json::to_value(request).map_err(json)?,
        answer: serde_json::to_value(answer).map_err(json)?,
    })
}
