//! `POST /v1/bulletins`.

use super::view::BulletinView;
use super::well_formed;
use crate::extract::{Authorized, Json};
use crate::idempotency::Idempotent;
use crate::permission::{KeepBulletins, Permission};
use crate::reply::{Answer, created};
use actix_web::post;
use clampward_domain::bulletin::Bulletin;
use clampward_domain::ids::BulletinId;

/// Open a bulletin
///
/// Stop use and inspect before use tag out every clamp in scope, in every yard, within seconds, and those that come to light
/// later. Whatever a clamp's number, model or date leave open counts as in scope. A bulletin is never changed: look at the
/// preview first.
#[utoipa::path(
    operation_id = "open_bulletin",
    tag = "Bulletins",
    request_body = Bulletin,
    extensions(("x-permission" = json!(KeepBulletins::NAME)), ("x-idempotent" = json!(true)), ("x-problems" = json!(["code-taken"]))),
    responses((status = 201, description = "Opened.", body = BulletinView, headers(
        ("Location" = String, description = "Where it is."), ("ETag" = String, description = "Over the bytes sent."))))
)]
#[post("/v1/bulletins")]
pub async fn open(call: Authorized<KeepBulletins>, body: Json<Bulletin>, once: Idempotent) -> Answer {
    once.run(call, async |call| record(call, &body.0).await).await
}

async fn record(call: &Authorized<KeepBulletins>, bulletin: &Bulletin) -> Answer {
    call.everywhere()?;
    well_formed(call, bulletin).await?;
    let id = BulletinId::new(call.new_id()?);
    let row_id = call.new_id()?;
    let opened = call
        .store()
        .open_bulletin(row_id, call.person(), id, bulletin)
        .await?;
    tracing::info!(event = "bulletin_opened", by = %call.person(), bulletin = %id, class = %bulletin.class, "a safety bulletin was opened");
    created(&format!("/v1/bulletins/{id}"), &BulletinView::from(opened))
}
