//! `POST /v1/clamps/{clamp_id}/retirement`.

use super::record::record;
use crate::extract::{Authorized, Json, Path};
use crate::permission::{Permission, RetireClamps};
use crate::reply::Answer;
use actix_web::post;
use clampward_domain::ids::ClampId;
use clampward_wire::entry::{EntryReply, RetiredRequest};

/// Retire a clamp
///
/// Scrapped: made unusable, witnessed, its number never used again. Undone only by an amendment that a second
/// person confirms, and then the clamp comes back tagged out.
#[utoipa::path(
    tag = "Clamps",
    params(("clamp_id" = ClampId, Path, description = "The clamp.")),
    request_body = RetiredRequest,
    extensions(("x-permission" = json!(RetireClamps::NAME)), ("x-problems" = json!(["not-found", "id-reused", "clamp-retired"]))),
    responses(
        (status = 201, description = "Recorded.", body = EntryReply),
        (status = 200, description = "Recorded before with the same content; the first outcome.", body = EntryReply),
    )
)]
#[post("/v1/clamps/{clamp_id}/retirement")]
pub async fn retire(
    call: Authorized<RetireClamps>,
    clamp_id: Path<ClampId>,
    body: Json<RetiredRequest>,
) -> Answer {
    record(&call, clamp_id.0, body.0).await
}
