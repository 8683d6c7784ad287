//! `POST /v1/clamps/{clamp_id}/inspections`.

use super::record::record;
use crate::extract::{Authorized, Json, Path};
use crate::permission::{Permission, RecordInspections};
use crate::reply::Answer;
use actix_web::post;
use clampward_domain::ids::ClampId;
use clampward_wire::entry::{EntryReply, InspectedRequest};

/// Record an inspection
///
/// One finding per criterion and place. A rejecting finding, or a measurement that is not shown to conform,
/// opens a lock-out at once, whoever inspected; whether the inspection is credited, and every reason if not, is
/// in the answer. With `basis` it is a thorough examination under `gb-loler`, which the caller authenticates by
/// recording it.
#[utoipa::path(
    tag = "Clamps",
    params(("clamp_id" = ClampId, Path, description = "The clamp.")),
    request_body = InspectedRequest,
    extensions(("x-permission" = json!(RecordInspections::NAME)), ("x-problems" = json!(["not-found", "id-reused", "state-conflict", "clamp-retired"]))),
    responses(
        (status = 201, description = "Recorded.", body = EntryReply),
        (status = 200, description = "Recorded before with the same content; the first outcome.", body = EntryReply),
    )
)]
#[post("/v1/clamps/{clamp_id}/inspections")]
pub async fn inspect(
    call: Authorized<RecordInspections>,
    clamp_id: Path<ClampId>,
    body: Json<InspectedRequest>,
) -> Answer {
    record(&call, clamp_id.0, body.0).await
}
