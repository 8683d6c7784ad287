//! `GET /v1/webhook-endpoints`.

use super::view::WebhookEndpointView;
use crate::extract::Authorized;
use crate::permission::{Permission, ReadWebhooks};
use crate::reply::{Answer, ok};
use actix_web::get;
use serde::Serialize;
use utoipa::ToSchema;

/// Every endpoint.
#[derive(Serialize, ToSchema)]
pub struct WebhookEndpoints {
    /// The one recorded last first, at most twenty.
    #[schema(max_items = 20)]
    items: Vec<WebhookEndpointView>,
}

/// Webhook endpoints
///
/// The programs that are told of events.
#[utoipa::path(
    operation_id = "list_webhook_endpoints",
    tag = "Webhooks",
    extensions(("x-permission" = json!(ReadWebhooks::NAME))),
    responses((status = 200, description = "The endpoints.", body = WebhookEndpoints))
)]
#[get("/v1/webhook-endpoints")]
pub async fn list(call: Authorized<ReadWebhooks>) -> Answer {
    let endpoints = call.store().webhook_endpoints().await?;
    ok(&WebhookEndpoints {
        items: endpoints.into_iter().map(WebhookEndpointView::from).collect(),
    })
}
