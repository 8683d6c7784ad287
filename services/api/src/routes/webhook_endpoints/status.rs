//! `GET /v1/webhook-endpoints/{id}/status`.

use super::endpoint;
use super::view::WebhookStatusView;
use crate::extract::{Authorized, Path};
use crate::permission::{Permission, ReadWebhooks};
use crate::reply::{Answer, Failure, ok};
use actix_web::get;
use uuid::Uuid;

/// How it goes with a webhook endpoint
///
/// How far it was told, what waits, since when and why nothing arrives, and which secrets sign.
#[utoipa::path(
    operation_id = "read_webhook_status",
    tag = "Webhooks",
    params(("id" = Uuid, Path, description = "The endpoint.")),
    extensions(("x-permission" = json!(ReadWebhooks::NAME)), ("x-problems" = json!(["not-found"]))),
    responses((status = 200, description = "How it goes.", body = WebhookStatusView))
)]
#[get("/v1/webhook-endpoints/{id}/status")]
pub async fn status(call: Authorized<ReadWebhooks>, id: Path<Uuid>) -> Answer {
    let endpoint = endpoint(&call, id.0).await?;
    let status = call.store().webhook_status(id.0).await?;
    let status = status.ok_or_else(|| Failure::not_found("webhook endpoint"))?;
    let secrets = call.store().webhook_secrets(id.0).await?;
    ok(&WebhookStatusView::of(&endpoint, status, secrets))
}
