//! `POST /v1/notices/{id}/acknowledgement`.

use super::view::NoticeView;
use crate::extract::{Authorized, Path};
use crate::idempotency::Idempotent;
use crate::permission::{AcknowledgeNotices, Permission};
use crate::reply::{Answer, Failure, changed};
use actix_web::post;
use uuid::Uuid;

/// Acknowledge a notice
///
/// Says that you see to it: those above you are not told. The first time counts; of the clamp it changes nothing.
#[utoipa::path(
    operation_id = "acknowledge_notice",
    tag = "Notices",
    params(("id" = Uuid, Path, description = "The notice.")),
    extensions(("x-permission" = json!(AcknowledgeNotices::NAME)), ("x-idempotent" = json!(true)),
        ("x-problems" = json!(["not-found"]))),
    responses((status = 200, description = "Acknowledged.", body = NoticeView, headers(("ETag" = String, description = "Over the bytes sent."))))
)]
#[post("/v1/notices/{id}/acknowledgement")]
pub async fn acknowledge(call: Authorized<AcknowledgeNotices>, id: Path<Uuid>, once: Idempotent) -> Answer {
    once.run(call, async |call| {
        let person = call.person();
        let notice = call.store().acknowledge_notice(person, id.0).await?;
        let notice = notice.ok_or_else(|| Failure::not_found("notice"))?;
        tracing::info!(event = "notice_acknowledged", by = %person, "a notice was acknowledged");
        changed(&NoticeView::from(notice))
    })
    .await
}
