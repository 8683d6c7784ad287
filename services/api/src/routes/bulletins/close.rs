//! `POST /v1/bulletins/{id}/closure`.

use super::view::BulletinView;
use crate::extract::{Authorized, Path};
use crate::idempotency::Idempotent;
use crate::permission::{KeepBulletins, Permission};
use crate::reply::{Answer, changed};
use actix_web::post;
use clampward_domain::ids::BulletinId;

/// Close a bulletin
///
/// Only once everything is accounted for: every clamp that it holds is returned to service, scrapped, or not found with
/// somebody who looks for it; of information, every yard has said that it read it. Clamps that were there before and come to
/// light afterwards are held all the same.
#[utoipa::path(
    operation_id = "close_bulletin",
    tag = "Bulletins",
    params(("id" = BulletinId, Path, description = "The bulletin.")),
    extensions(("x-permission" = json!(KeepBulletins::NAME)), ("x-idempotent" = json!(true)),
        ("x-problems" = json!(["not-found", "bulletin-closed", "bulletin-not-accounted-for"]))),
    responses((status = 200, description = "Closed.", body = BulletinView, headers(("ETag" = String, description = "Over the bytes sent."))))
)]
#[post("/v1/bulletins/{id}/closure")]
pub async fn close(call: Authorized<KeepBulletins>, id: Path<BulletinId>, once: Idempotent) -> Answer {
    once.run(call, async |call| {
        call.everywhere()?;
        let row_id = call.new_id()?;
        let closed = call.store().close_bulletin(row_id, call.person(), id.0).await?;
        tracing::info!(event = "bulletin_closed", by = %call.person(), bulletin = %id.0, "a safety bulletin was closed");
        changed(&BulletinView::from(closed))
    })
    .await
}
