//! `POST /v1/clamps/{clamp_id}/issues`.

use super::record::record;
use crate::extract::{Authorized, Json, Path};
use crate::permission::{HandOut, Permission};
use crate::reply::Answer;
use actix_web::post;
use clampward_domain::ids::ClampId;
use clampward_wire::entry::{EntryReply, IssuedRequest};

/// Issue a clamp from the tool crib
///
/// Refused for a clamp that is not fit, with every reason.
#[utoipa::path(
    tag = "Clamps",
    params(("clamp_id" = ClampId, Path, description = "The clamp.")),
    request_body = IssuedRequest,
    extensions(("x-permission" = json!(HandOut::NAME)), ("x-problems" = json!(["not-found", "id-reused", "tagged-out", "not-fit", "clamp-retired"]))),
    responses(
        (status = 201, description = "Recorded.", body = EntryReply),
        (status = 200, description = "Recorded before with the same content; the first outcome.", body = EntryReply),
    )
)]
#[post("/v1/clamps/{clamp_id}/issues")]
pub async fn issue(call: Authorized<HandOut>, clamp_id: Path<ClampId>, body: Json<IssuedRequest>) -> Answer {
    record(&call, clamp_id.0, body.0).await
}
