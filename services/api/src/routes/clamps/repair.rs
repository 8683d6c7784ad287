//! `POST /v1/clamps/{clamp_id}/repairs`.

use super::record::record;
use crate::extract::{Authorized, Json, Path};
use crate::permission::{Permission, RecordRepairs};
use crate::reply::Answer;
use actix_web::post;
use clampward_domain::ids::ClampId;
use clampward_wire::entry::{EntryReply, RepairedRequest};

/// Record a repair
///
/// Names the lock-outs that it answers and every part fitted. Opens a lock-out `not_reinspected` of its own,
/// and one per part that is not of the original maker.
#[utoipa::path(
    tag = "Clamps",
    params(("clamp_id" = ClampId, Path, description = "The clamp.")),
    request_body = RepairedRequest,
    extensions(("x-permission" = json!(RecordRepairs::NAME)), ("x-problems" = json!(["not-found", "id-reused", "clamp-retired"]))),
    responses(
        (status = 201, description = "Recorded.", body = EntryReply),
        (status = 200, description = "Recorded before with the same content; the first outcome.", body = EntryReply),
    )
)]
#[post("/v1/clamps/{clamp_id}/repairs")]
pub async fn repair(
    call: Authorized<RecordRepairs>,
    clamp_id: Path<ClampId>,
    body: Json<RepairedRequest>,
) -> Answer {
    record(&call, clamp_id.0, body.0).await
}
