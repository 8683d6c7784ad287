//! `GET /v1/models/{id}`.

use super::view::ModelView;
use crate::extract::{Authorized, Path};
use crate::permission::{Permission, ReadReference};
use crate::reply::{Answer, Failure, resource};
use actix_web::{HttpRequest, get};
use clampward_domain::ids::ModelId;

/// One model
///
/// Its newest recorded version, which may start on a later day: `starts_on` says so.
#[utoipa::path(
    operation_id = "read_model",
    tag = "Reference data",
    params(("id" = ModelId, Path, description = "The model.")),
    extensions(("x-permission" = json!(ReadReference::NAME)), ("x-problems" = json!(["not-found"]))),
    responses(
        (status = 200, description = "The model.", body = ModelView, headers(("ETag" = String, description = "Over the bytes sent."))),
        (status = 304, description = "You have these bytes already."))
)]
#[get("/v1/models/{id}")]
pub async fn read(call: Authorized<ReadReference>, id: Path<ModelId>, request: HttpRequest) -> Answer {
    let record = call
        .store()
        .model(id.0)
        .await?
        .ok_or_else(|| Failure::not_found("model"))?;
    resource(&request, &ModelView::from(record))
}
