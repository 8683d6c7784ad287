//! `GET /v1/notices/{id}`.

use super::view::NoticeView;
use crate::extract::{Authorized, Path};
use crate::permission::{Permission, ReadNotices};
use crate::reply::{Answer, Failure, resource};
use actix_web::{HttpRequest, get};
use uuid::Uuid;

/// A notice
///
/// One that you were told.
#[utoipa::path(
    operation_id = "read_notice",
    tag = "Notices",
    params(("id" = Uuid, Path, description = "The notice.")),
    extensions(("x-permission" = json!(ReadNotices::NAME)), ("x-problems" = json!(["not-found"]))),
    responses((status = 200, description = "The notice.", body = NoticeView, headers(("ETag" = String, description = "Over the bytes sent."))))
)]
#[get("/v1/notices/{id}")]
pub async fn read(call: Authorized<ReadNotices>, id: Path<Uuid>, request: HttpRequest) -> Answer {
    let notice = call.store().notice(call.person(), id.0).await?;
    let notice = notice.ok_or_else(|| Failure::not_found("notice"))?;
    resource(&request, &NoticeView::from(notice))
}
