//! `POST /v1/webhook-endpoints/{id}/removal`.

use crate::extract::{Authorized, Path};
use crate::idempotency::Idempotent;
use crate::permission::{KeepWebhooks, Permission};
use crate::reply::Answer;
use actix_web::{HttpResponse, post};
use uuid::Uuid;

/// Remove a webhook endpoint
///
/// For good, with its secrets and what is kept of its deliveries: it is told of nothing any more, also not of what waits.
#[utoipa::path(
    operation_id = "remove_webhook_endpoint",
    tag = "Webhooks",
    params(("id" = Uuid, Path, description = "The endpoint.")),
    extensions(("x-permission" = json!(KeepWebhooks::NAME)), ("x-idempotent" = json!(true)), ("x-problems" = json!(["not-found"]))),
    responses((status = 204, description = "Removed."))
)]
#[post("/v1/webhook-endpoints/{id}/removal")]
pub async fn remove(call: Authorized<KeepWebhooks>, id: Path<Uuid>, once: Idempotent) -> Answer {
    once.run(call, async |call| {
        call.everywhere()?;
        call.store().remove_webhook_endpoint(call.person(), id.0).await?;
        tracing::info!(event = "webhook_endpoint_removed", by = %call.person(), endpoint = %id.0, "webhook endpoint removed");
        Ok(HttpResponse::NoContent().finish())
    })
    .await
}
