//! `POST /v1/clamps/{clamp_id}/amendments`.

use super::record::record;
use crate::extract::{Authorized, Json, Path};
use crate::permission::{AmendClamps, Permission};
use crate::reply::Answer;
use actix_web::post;
use clampward_domain::ids::ClampId;
use clampward_wire::entry::{AmendedRequest, EntryReply};

/// Amend what was recorded
///
/// A correction cites the entry that it corrects; nothing is overwritten. It never closes a lock-out: one that
/// favours release counts only for a return that cites it.
#[utoipa::path(
    tag = "Clamps",
    params(("clamp_id" = ClampId, Path, description = "The clamp.")),
    request_body = AmendedRequest,
    extensions(("x-permission" = json!(AmendClamps::NAME)), ("x-problems" = json!(["not-found", "id-reused", "number-taken", "state-conflict"]))),
    responses(
        (status = 201, description = "Recorded.", body = EntryReply),
        (status = 200, description = "Recorded before with the same content; the first outcome.", body = EntryReply),
    )
)]
#[post("/v1/clamps/{clamp_id}/amendments")]
pub async fn amend(
    call: Authorized<AmendClamps>,
    clamp_id: Path<ClampId>,
    body: Json<AmendedRequest>,
) -> Answer {
    record(&call, clamp_id.0, body.0).await
}
