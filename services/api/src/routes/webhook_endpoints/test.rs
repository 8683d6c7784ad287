//! `POST /v1/webhook-endpoints/{id}/test-deliveries`.

use crate::extract::{Authorized, Path};
use crate::idempotency::Idempotent;
use crate::permission::{KeepWebhooks, Permission};
use crate::reply::{Answer, ok};
use actix_web::post;
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

/// What will be tried.
#[derive(Serialize, ToSchema)]
pub struct TestDelivery {
    /// The event, `webhook.test`: what became of it is among the endpoint's deliveries.
    event_id: Uuid,
}

/// Try a webhook endpoint out
///
/// Posts an event that means nothing, once, also while the endpoint is paused; whether it is taken changes nothing else.
#[utoipa::path(
    operation_id = "test_webhook_endpoint",
    tag = "Webhooks",
    params(("id" = Uuid, Path, description = "The endpoint.")),
    extensions(("x-permission" = json!(KeepWebhooks::NAME)), ("x-idempotent" = json!(true)), ("x-problems" = json!(["not-found"]))),
    responses((status = 200, description = "It will be tried within seconds.", body = TestDelivery))
)]
#[post("/v1/webhook-endpoints/{id}/test-deliveries")]
pub async fn test(call: Authorized<KeepWebhooks>, id: Path<Uuid>, once: Idempotent) -> Answer {
    once.run(call, async |call| {
        call.everywhere()?;
        let event_id = call.new_id()?;
        call.store().test_webhook_endpoint(id.0, event_id).await?;
        tracing::info!(event = "webhook_test", by = %call.person(), endpoint = %id.0, "webhook endpoint is tried out");
        ok(&TestDelivery { event_id })
    })
    .await
}
