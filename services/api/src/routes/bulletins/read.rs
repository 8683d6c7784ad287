//! `GET /v1/bulletins/{id}`.

use super::view::BulletinView;
use crate::extract::{Authorized, Path};
use crate::permission::{Permission, ReadBulletins};
use crate::reply::{Answer, Failure, resource};
use actix_web::{HttpRequest, get};
use clampward_domain::ids::BulletinId;

/// A bulletin
///
/// What it says, and what became of it.
#[utoipa::path(
    operation_id = "read_bulletin",
    tag = "Bulletins",
    params(("id" = BulletinId, Path, description = "The bulletin.")),
    extensions(("x-permission" = json!(ReadBulletins::NAME)), ("x-problems" = json!(["not-found"]))),
    responses(
        (status = 200, description = "The bulletin.", body = BulletinView, headers(("ETag" = String, description = "Over the bytes sent."))),
        (status = 304, description = "You have these bytes already."))
)]
#[get("/v1/bulletins/{id}")]
pub async fn read(call: Authorized<ReadBulletins>, id: Path<BulletinId>, request: HttpRequest) -> Answer {
    let bulletin = call.store().bulletin(id.0).await?;
    let bulletin = bulletin.ok_or_else(|| Failure::not_found("bulletin"))?;
    resource(&request, &BulletinView::from(bulletin))
}
