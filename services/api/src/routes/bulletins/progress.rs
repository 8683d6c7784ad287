//! `GET /v1/bulletins/{id}/progress`.

use super::view::BulletinProgress;
use crate::extract::{Authorized, Path};
use crate::permission::{Permission, ReadBulletins};
use crate::reply::{Answer, Failure, resource};
use actix_web::{HttpRequest, get};
use clampward_domain::ids::BulletinId;

/// How far a bulletin has come
///
/// The clamps of your yards that it holds, by what they have come to.
#[utoipa::path(
    operation_id = "read_bulletin_progress",
    tag = "Bulletins",
    params(("id" = BulletinId, Path, description = "The bulletin.")),
    extensions(("x-permission" = json!(ReadBulletins::NAME)), ("x-problems" = json!(["not-found"]))),
    responses(
        (status = 200, description = "How far it has come.", body = BulletinProgress, headers(("ETag" = String, description = "Over the bytes sent."))),
        (status = 304, description = "You have these bytes already."))
)]
#[get("/v1/bulletins/{id}/progress")]
pub async fn progress(call: Authorized<ReadBulletins>, id: Path<BulletinId>, request: HttpRequest) -> Answer {
    let store = call.store();
    if store.bulletin(id.0).await?.is_none() {
        return Err(Failure::not_found("bulletin"));
    }
    let progress = store.bulletin_progress(call.yards(), id.0).await?;
    resource(&request, &BulletinProgress::of(id.0, progress))
}
