//! `POST /v1/clamps/{clamp_id}/returns-to-service`.

use super::record::record;
use crate::extract::{Authorized, Json, Path};
use crate::permission::{Permission, ReturnToService};
use crate::reply::Answer;
use actix_web::post;
use clampward_domain::ids::ClampId;
use clampward_wire::entry::{EntryReply, ReturnedToServiceRequest};

/// Return a clamp to service
///
/// Names every barring lock-out, each with its ground and the entries it rests on. Refused with every unmet
/// condition, and then nothing is recorded. Where a ground needs a second person, it is recorded and waits for
/// their confirmation; the clamp stays tagged out until then.
#[utoipa::path(
    tag = "Clamps",
    params(("clamp_id" = ClampId, Path, description = "The clamp.")),
    request_body = ReturnedToServiceRequest,
    extensions(("x-permission" = json!(ReturnToService::NAME)), ("x-problems" = json!(["not-found", "id-reused", "release-not-supported", "clamp-retired"]))),
    responses(
        (status = 201, description = "Recorded.", body = EntryReply),
        (status = 200, description = "Recorded before with the same content; the first outcome.", body = EntryReply),
    )
)]
#[post("/v1/clamps/{clamp_id}/returns-to-service")]
pub async fn return_to_service(
    call: Authorized<ReturnToService>,
    clamp_id: Path<ClampId>,
    body: Json<ReturnedToServiceRequest>,
) -> Answer {
    record(&call, clamp_id.0, body.0).await
}
