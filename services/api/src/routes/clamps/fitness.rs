//! `GET /v1/clamps/{clamp_id}/fitness` and `GET /v1/fitness?mark=`.

use super::view::{self, Known};
use crate::extract::{Authorized, LookedUp, Query, refused};
use crate::permission::{Permission, ReadClamps};
use crate::reply::{Answer, Failure, ok};
use actix_web::get;
use clampward_domain::ids::ClampId;
use clampward_domain::mark::check_mark;
use clampward_domain::standing::Reason;
use clampward_domain::words::FitnessReason;
use clampward_store::ClampNow;
use clampward_wire::clamp::{Fitness, MarkBearer, MarkFitness};
use clampward_wire::problem::FieldError;
use serde::Deserialize;
use utoipa::IntoParams;

/// Ask whether a clamp is fit
///
/// From the primary database, computed for this request: never cached, replayed or revalidated.
#[utoipa::path(
    tag = "Clamps",
    params(("clamp_id" = ClampId, Path, description = "The clamp.")),
    extensions(("x-permission" = json!(ReadClamps::NAME)), ("x-class" = json!("fitness")), ("x-problems" = json!(["not-found"]))),
    responses((status = 200, description = "Whether it is fit, and why not.", body = Fitness))
)]
#[get("/v1/clamps/{clamp_id}/fitness")]
pub async fn fitness(call: LookedUp<ReadClamps>) -> Answer {
    let now = call.now();
    let clamp = call.clamp().ok_or_else(|| Failure::not_found("clamp"))?;
    let known = Known {
        position: clamp.knowledge.position,
        at: now,
    };
    ok(&view::fitness(
        &clamp.state,
        &clamp.standing(now).in_short(),
        known,
    ))
}

/// A scanned mark.
#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Scanned {
    /// The mark as scanned or typed; case, spaces and hyphens do not matter.
    #[param(example = "PEL-006", min_length = 1, max_length = 64)]
    mark: String,
}

/// Ask whether the clamp that bears a mark is fit
///
/// `fit` only if one live clamp of the whole company bears the mark; otherwise the reason `ambiguous_mark`. Marks that
/// only look alike are listed, never taken for the one asked about.
#[utoipa::path(
    tag = "Clamps",
    params(Scanned),
    extensions(("x-permission" = json!(ReadClamps::NAME)), ("x-class" = json!("fitness")), ("x-problems" = json!(["not-found"]))),
    responses((status = 200, description = "Whether its bearer is fit, and why not.", body = MarkFitness))
)]
#[get("/v1/fitness")]
pub async fn fitness_by_mark(call: Authorized<ReadClamps>, scanned: Query<Scanned>) -> Answer {
    let mark = scanned.0.mark;
    check_mark(&mark).map_err(|fault| refused(FieldError::new("/mark", "not-a-mark", fault.to_string())))?;
    let bearers = call.store().clamps_by_mark(&mark, call.yards()).await?;
    // After the reading: an answer is never about a time before what it rests on.
    let now = call.now();
    let bearer = |clamp: &ClampNow| MarkBearer {
        clamp_id: clamp.state.clamp,
        asset_mark: clamp.state.asset_mark().unwrap_or_default(),
    };
    let look_alikes = bearers
        .look_alikes
        .iter()
        .map(|(clamp_id, asset_mark)| MarkBearer {
            clamp_id: *clamp_id,
            asset_mark: asset_mark.clone(),
        })
        .collect();
    // Somebody else's clamp with this mark is not shown, but it makes the mark ambiguous.
    let live: Vec<&ClampNow> = bearers
        .clamps
        .iter()
        .filter(|clamp| clamp.state.retirement().is_none())
        .collect();
    let only = match (live.as_slice(), bearers.clamps.as_slice()) {
        ([only], _) if bearers.live_in_company == 1 => Some(*only),
        ([], [retired]) if bearers.live_in_company == 0 => Some(retired),
        _ => None,
    };
    let position = bearers.clamps.iter().map(|clamp| clamp.knowledge.position).max();
    let Some(position) = position else {
        return Err(Failure::not_found("clamp with this mark"));
    };
    let (fit, reasons, reasons_in_all, fit_until) = match only {
        Some(clamp) => {
            let standing = clamp.standing(now).in_short();
            (
                standing.fit,
                standing.reasons,
                standing.reasons_in_all,
                standing.fit_until,
            )
        }
        None => (false, vec![ambiguous()], None, None),
    };
    ok(&MarkFitness {
        mark,
        fit,
        reasons,
        reasons_in_all,
        fit_until,
        position,
        known_at: now,
        bearers: bearers.clamps.iter().map(bearer).collect(),
        look_alikes,
    })
}

fn ambiguous() -> Reason {
    Reason {
        code: FitnessReason::AmbiguousMark,
        detail: "More than one live clamp bears this mark: find the serial number, and ask by that clamp."
            .to_owned(),
        since: None,
        lockout_id: None,
        due: None,
        source: None,
    }
}
