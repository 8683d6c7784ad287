//! `POST /v1/clamps/{clamp_id}/uses`.

use super::record::record;
use crate::extract::{Authorized, Json, Path};
use crate::permission::{Permission, RecordUse};
use crate::reply::Answer;
use actix_web::post;
use clampward_domain::ids::ClampId;
use clampward_wire::entry::{EntryReply, UsedRequest};

/// Record a period's lifts
///
/// A fact, so always recorded. Load above the WLL, use against a stop or while tagged out opens a lock-out.
#[utoipa::path(
    tag = "Clamps",
    params(("clamp_id" = ClampId, Path, description = "The clamp.")),
    request_body = UsedRequest,
    extensions(("x-permission" = json!(RecordUse::NAME)), ("x-problems" = json!(["not-found", "id-reused"]))),
    responses(
        (status = 201, description = "Recorded.", body = EntryReply),
        (status = 200, description = "Recorded before with the same content; the first outcome.", body = EntryReply),
    )
)]
#[post("/v1/clamps/{clamp_id}/uses")]
pub async fn use_clamp(
    call: Authorized<RecordUse>,
    clamp_id: Path<ClampId>,
    body: Json<UsedRequest>,
) -> Answer {
    record(&call, clamp_id.0, body.0).await
}
