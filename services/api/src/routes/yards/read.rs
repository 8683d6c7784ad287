//! `GET /v1/yards/{id}`.

use super::view::YardView;
use crate::extract::{Authorized, Path};
use crate::permission::{Permission, ReadReference};
use crate::reply::{Answer, Failure, resource};
use actix_web::{HttpRequest, get};
use clampward_domain::ids::YardId;

/// One yard
///
/// Its newest recorded version, which may start on a later day: `starts_on` says so.
#[utoipa::path(
    operation_id = "read_yard",
    tag = "Reference data",
    params(("id" = YardId, Path, description = "The yard.")),
    extensions(("x-permission" = json!(ReadReference::NAME)), ("x-problems" = json!(["not-found"]))),
    responses(
        (status = 200, description = "The yard.", body = YardView, headers(("ETag" = String, description = "Over the bytes sent."))),
        (status = 304, description = "You have these bytes already."))
)]
#[get("/v1/yards/{id}")]
pub async fn read(call: Authorized<ReadReference>, id: Path<YardId>, request: HttpRequest) -> Answer {
    let record = call
        .store()
        .yard(call.yards(), id.0)
        .await?
        .ok_or_else(|| Failure::not_found("yard"))?;
    resource(&request, &YardView::from(record))
}
