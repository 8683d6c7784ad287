//! `POST /v1/bulletins/preview`.

use super::view::BulletinPreview;
use super::well_formed;
use crate::extract::{Authorized, Json};
use crate::permission::{KeepBulletins, Permission};
use crate::reply::{Answer, ok};
use actix_web::post;
use clampward_domain::bulletin::Bulletin;

/// Preview a bulletin
///
/// Counts the clamps that are in its scope at this moment, by yard and by why. Nothing is recorded and nobody is told. Send
/// what you are going to open.
#[utoipa::path(
    operation_id = "preview_bulletin",
    tag = "Bulletins",
    request_body = Bulletin,
    extensions(("x-permission" = json!(KeepBulletins::NAME))),
    responses((status = 200, description = "What it would hold.", body = BulletinPreview))
)]
#[post("/v1/bulletins/preview")]
pub async fn preview(call: Authorized<KeepBulletins>, body: Json<Bulletin>) -> Answer {
    call.everywhere()?;
    well_formed(&call, &body.0).await?;
    let preview = call.store().preview_bulletin(&body.0.scope).await?;
    ok(&BulletinPreview::from(preview))
}
