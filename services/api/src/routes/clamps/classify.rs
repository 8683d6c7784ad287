//! `POST /v1/clamps/{clamp_id}/classifications`.

use super::record::record;
use crate::extract::{Authorized, Json, Path};
use crate::permission::{ClassifyClamps, Permission};
use crate::reply::Answer;
use actix_web::post;
use clampward_domain::ids::ClampId;
use clampward_wire::entry::{ClassifiedRequest, EntryReply};

/// Set a clamp's service class
///
/// Only the safety role sets a milder class; special counts as milder and needs a qualified person's direction.
#[utoipa::path(
    tag = "Clamps",
    params(("clamp_id" = ClampId, Path, description = "The clamp.")),
    request_body = ClassifiedRequest,
    extensions(("x-permission" = json!(ClassifyClamps::NAME)), ("x-problems" = json!(["not-found", "id-reused", "state-conflict", "clamp-retired"]))),
    responses(
        (status = 201, description = "Recorded.", body = EntryReply),
        (status = 200, description = "Recorded before with the same content; the first outcome.", body = EntryReply),
    )
)]
#[post("/v1/clamps/{clamp_id}/classifications")]
pub async fn classify(
    call: Authorized<ClassifyClamps>,
    clamp_id: Path<ClampId>,
    body: Json<ClassifiedRequest>,
) -> Answer {
    record(&call, clamp_id.0, body.0).await
}
