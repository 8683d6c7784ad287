//! `POST /v1/webhook-endpoints`.

use super::view::{HandedOutKeys, WebhookEndpointView};
use super::{check, every_event, new_keys};
use crate::extract::{Authorized, Json};
use crate::idempotency::Idempotent;
use crate::permission::{KeepWebhooks, Permission};
use crate::reply::{Answer, created};
use actix_web::post;
use clampward_domain::webhook::EventType;
use clampward_store::webhooks::EndpointBody;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A new endpoint.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewWebhookEndpoint {
    /// Where events are posted to: over TLS, and only to a host and port that whoever runs the service has listed.
    #[schema(max_length = 1000, examples("https://erp.halvorsund.example/clampward"))]
    url: String,
    /// What it is for.
    #[schema(
        min_length = 1,
        max_length = 200,
        examples("Plant ERP: counts of clamps that are out of service")
    )]
    description: String,
    /// Of what it is told; of everything if left out.
    #[schema(min_items = 1, max_items = 20)]
    events: Option<Vec<EventType>>,
}

/// The endpoint and its first secret.
#[derive(Serialize, ToSchema)]
pub struct NewWebhookEndpointAnswer {
    /// The endpoint.
    #[serde(flatten)]
    endpoint: WebhookEndpointView,
    /// Its secret.
    #[serde(flatten)]
    keys: HandedOutKeys,
}

/// Record a webhook endpoint
///
/// A program that is told of what is recorded from now on, and of the days that come. The answer alone shows its secret, by
/// which the program checks that an event comes from here. Try it out with a test delivery before you rely on it.
#[utoipa::path(
    operation_id = "create_webhook_endpoint",
    tag = "Webhooks",
    request_body = NewWebhookEndpoint,
    extensions(("x-permission" = json!(KeepWebhooks::NAME)), ("x-idempotent" = json!(true)), ("x-problems" = json!(["endpoints-full"]))),
    responses((status = 201, description = "Recorded.", body = NewWebhookEndpointAnswer, headers(
        ("Location" = String, description = "Where the endpoint is."), ("ETag" = String, description = "Over the bytes sent."))))
)]
#[post("/v1/webhook-endpoints")]
pub async fn create(
    call: Authorized<KeepWebhooks>,
    body: Json<NewWebhookEndpoint>,
    once: Idempotent,
) -> Answer {
    once.run(call, async |call| record(call, body.0).await).await
}

async fn record(call: &Authorized<KeepWebhooks>, new: NewWebhookEndpoint) -> Answer {
    call.everywhere()?;
    let body = EndpointBody {
        url: new.url,
        description: new.description,
        events: new.events.unwrap_or_else(every_event),
        paused: None,
    };
    check(call, &body, true)?;
    let id = call.new_id()?;
    let (kept, keys) = new_keys(call)?;
    let endpoint = call
        .store()
        .create_webhook_endpoint(call.person(), id, &body, &kept)
        .await?;
    tracing::info!(event = "webhook_endpoint_created", by = %call.person(), endpoint = %id, "webhook endpoint recorded");
    let answer = NewWebhookEndpointAnswer {
        endpoint: endpoint.into(),
        keys,
    };
    created(&format!("/v1/webhook-endpoints/{id}"), &answer)
}
