//! `POST /v1/clamps/{clamp_id}/tag-outs`.

use super::record::record;
use crate::extract::{Authorized, Json, Path};
use crate::permission::{Permission, TagOut};
use crate::reply::Answer;
use actix_web::post;
use clampward_domain::ids::ClampId;
use clampward_wire::entry::{EntryReply, TaggedOutRequest};

/// Tag a clamp out
///
/// Bars the clamp at once. Never refused for yard or competence: for a clamp outside one's yards the answer
/// says only that it is recorded.
#[utoipa::path(
    tag = "Clamps",
    params(("clamp_id" = ClampId, Path, description = "The clamp.")),
    request_body = TaggedOutRequest,
    extensions(("x-permission" = json!(TagOut::NAME)), ("x-class" = json!("fitness")), ("x-problems" = json!(["not-found", "id-reused"]))),
    responses(
        (status = 201, description = "Recorded.", body = EntryReply),
        (status = 200, description = "Recorded before with the same content; the first outcome.", body = EntryReply),
    )
)]
#[post("/v1/clamps/{clamp_id}/tag-outs")]
pub async fn tag_out(
    call: Authorized<TagOut>,
    clamp_id: Path<ClampId>,
    body: Json<TaggedOutRequest>,
) -> Answer {
    record(&call, clamp_id.0, body.0).await
}
