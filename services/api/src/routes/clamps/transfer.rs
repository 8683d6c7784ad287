//! `POST /v1/clamps/{clamp_id}/transfers`.

use super::record::record;
use crate::extract::{Authorized, Json, Path};
use crate::permission::{Permission, TransferClamps};
use crate::reply::Answer;
use actix_web::post;
use clampward_domain::ids::ClampId;
use clampward_wire::entry::{EntryReply, TransferredRequest};

/// Transfer a clamp to another yard
///
/// Without `replaces` it follows the entry that places the clamp now. Two transfers that name the same
/// predecessor stand side by side: both yards see the clamp, and the stricter rules count.
#[utoipa::path(
    tag = "Clamps",
    params(("clamp_id" = ClampId, Path, description = "The clamp.")),
    request_body = TransferredRequest,
    extensions(("x-permission" = json!(TransferClamps::NAME)), ("x-problems" = json!(["not-found", "id-reused", "clamp-retired"]))),
    responses(
        (status = 201, description = "Recorded.", body = EntryReply),
        (status = 200, description = "Recorded before with the same content; the first outcome.", body = EntryReply),
    )
)]
#[post("/v1/clamps/{clamp_id}/transfers")]
pub async fn transfer(
    call: Authorized<TransferClamps>,
    clamp_id: Path<ClampId>,
    body: Json<TransferredRequest>,
) -> Answer {
    record(&call, clamp_id.0, body.0).await
}
