//! `GET /v1/clamps/{clamp_id}`.

use super::view::{self, Known};
use crate::extract::{Authorized, Path, Query, as_of, instant};
use crate::permission::{Permission, ReadClamps};
use crate::reply::{Answer, Failure, ok};
use actix_web::get;
use clampward_domain::ids::ClampId;
use clampward_wire::clamp::ClampView;
use serde::Deserialize;
use utoipa::IntoParams;

/// The two times that may be asked about.
#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Times {
    /// What was true then: an instant, or a day, meaning its end in the clamp's yard.
    #[param(example = "2026-03-01")]
    as_of: Option<String>,
    /// As far as was known then.
    #[param(value_type = Option<Timestamp>, example = "2026-03-02T12:00:00Z")]
    known_at: Option<String>,
}

/// See a clamp
///
/// Particulars, status, fitness, open lock-outs and due dates: now, or what was true at `as_of` as far as was known at
/// `known_at`. The answer names the position in the ledger that it rests on.
#[utoipa::path(
    operation_id = "read_clamp",
    tag = "Clamps",
    params(("clamp_id" = ClampId, Path, description = "The clamp."), Times),
    extensions(("x-permission" = json!(ReadClamps::NAME)), ("x-problems" = json!(["not-found"]))),
    responses((status = 200, description = "The clamp at the instant asked about.", body = ClampView))
)]
#[get("/v1/clamps/{clamp_id}")]
pub async fn read(call: Authorized<ReadClamps>, clamp_id: Path<ClampId>, times: Query<Times>) -> Answer {
    let not_found = || Failure::not_found("clamp");
    let as_of = times
        .0
        .as_of
        .as_deref()
        .map(|text| as_of("/as_of", text))
        .transpose()?;
    let known_at = times
        .0
        .known_at
        .as_deref()
        .map(|text| instant("/known_at", text))
        .transpose()?;
    let view = if as_of.is_none() && known_at.is_none() {
        let clamp = call
            .store()
            .clamp_now(clamp_id.0, call.yards())
            .await?
            .ok_or_else(not_found)?;
        let now = clamp.state.latest(call.now());
        let known = Known {
            position: clamp.knowledge.position,
            at: now,
        };
        view::clamp(&clamp.state, clamp.seq, &clamp.reference, now, known)
    } else {
        let then = call
            .store()
            .clamp_then(clamp_id.0, call.yards(), as_of, known_at)
            .await?
            .ok_or_else(not_found)?;
        let known = Known {
            position: then.knowledge.position,
            at: then.knowledge.known_at,
        };
        view::clamp(&then.state, then.entries, &then.reference, then.as_of, known)
    };
    ok(&view.ok_or_else(not_found)?)
}
