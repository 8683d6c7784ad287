//! `GET /v1/webhook-endpoints/{id}`.

use super::endpoint;
use super::view::WebhookEndpointView;
use crate::extract::{Authorized, Path};
use crate::permission::{Permission, ReadWebhooks};
use crate::reply::{Answer, resource};
use actix_web::{HttpRequest, get};
use uuid::Uuid;

/// A webhook endpoint
///
/// As it is now; its ETag goes into a change.
#[utoipa::path(
    operation_id = "read_webhook_endpoint",
    tag = "Webhooks",
    params(("id" = Uuid, Path, description = "The endpoint.")),
    extensions(("x-permission" = json!(ReadWebhooks::NAME)), ("x-problems" = json!(["not-found"]))),
    responses(
        (status = 200, description = "The endpoint.", body = WebhookEndpointView, headers(("ETag" = String, description = "Over the bytes sent."))),
        (status = 304, description = "You have these bytes already."))
)]
#[get("/v1/webhook-endpoints/{id}")]
pub async fn read(call: Authorized<ReadWebhooks>, id: Path<Uuid>, request: HttpRequest) -> Answer {
    let endpoint = endpoint(&call, id.0).await?;
    resource(&request, &WebhookEndpointView::from(endpoint))
}
