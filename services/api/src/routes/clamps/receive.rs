//! `POST /v1/clamps/{clamp_id}/receipts`.

use super::record::record;
use crate::extract::{Authorized, Json, Path};
use crate::permission::{HandOut, Permission};
use crate::reply::Answer;
use actix_web::post;
use clampward_domain::ids::ClampId;
use clampward_wire::entry::{EntryReply, ReceivedRequest};

/// Receive a clamp back in the tool crib
///
/// A defect seen on return is recorded as a tag-out besides.
#[utoipa::path(
    tag = "Clamps",
    params(("clamp_id" = ClampId, Path, description = "The clamp.")),
    request_body = ReceivedRequest,
    extensions(("x-permission" = json!(HandOut::NAME)), ("x-problems" = json!(["not-found", "id-reused", "clamp-retired"]))),
    responses(
        (status = 201, description = "Recorded.", body = EntryReply),
        (status = 200, description = "Recorded before with the same content; the first outcome.", body = EntryReply),
    )
)]
#[post("/v1/clamps/{clamp_id}/receipts")]
pub async fn receive(
    call: Authorized<HandOut>,
    clamp_id: Path<ClampId>,
    body: Json<ReceivedRequest>,
) -> Answer {
    record(&call, clamp_id.0, body.0).await
}
