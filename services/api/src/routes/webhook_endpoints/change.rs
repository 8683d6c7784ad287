//! `PATCH /v1/webhook-endpoints/{id}`.

use super::view::WebhookEndpointView;
use super::{check, endpoint};
use crate::extract::{Authorized, Json, Path};
use crate::permission::{KeepWebhooks, Permission};
use crate::reply::{Answer, changed, if_match};
use actix_web::{HttpRequest, patch};
use clampward_domain::webhook::{EventType, PausedBecause};
use serde::Deserialize;
use utoipa::ToSchema;
use uuid::Uuid;

/// What changes; what is left out stays.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WebhookEndpointChange {
    /// Where events are posted to.
    #[schema(max_length = 1000)]
    url: Option<String>,
    /// What it is for.
    #[schema(min_length = 1, max_length = 200)]
    description: Option<String>,
    /// Of what it is told.
    #[schema(min_items = 1, max_items = 20)]
    events: Option<Vec<EventType>>,
    /// Whether it is told nothing at present; false lets one go on that was paused, whyever it was.
    paused: Option<bool>,
}

/// Change a webhook endpoint
///
/// One that is paused is told nothing, and keeps its place: let go on, it is told of everything since, as far back as it
/// stopped, and what waits is tried at once.
#[utoipa::path(
    operation_id = "change_webhook_endpoint",
    tag = "Webhooks",
    params(("id" = Uuid, Path, description = "The endpoint."), ("If-Match" = String, Header, description = "The endpoint's ETag.")),
    request_body = WebhookEndpointChange,
    extensions(("x-permission" = json!(KeepWebhooks::NAME)), ("x-problems" = json!(["not-found", "version-missing", "version-stale"]))),
    responses((status = 200, description = "Changed.", body = WebhookEndpointView, headers(("ETag" = String, description = "Over the bytes sent."))))
)]
#[patch("/v1/webhook-endpoints/{id}")]
pub async fn change(
    call: Authorized<KeepWebhooks>,
    id: Path<Uuid>,
    body: Json<WebhookEndpointChange>,
    request: HttpRequest,
) -> Answer {
    call.everywhere()?;
    let endpoint = endpoint(&call, id.0).await?;
    if_match(&request, &WebhookEndpointView::from(endpoint.clone()))?;
    let WebhookEndpointChange {
        url,
        description,
        events,
        paused,
    } = body.0;
    let mut next = endpoint.body;
    // One whose host is listed no longer can still be paused.
    let is_new_url = url.as_ref().is_some_and(|url| *url != next.url);
    next.url = url.unwrap_or(next.url);
    next.description = description.unwrap_or(next.description);
    next.events = events.unwrap_or(next.events);
    next.paused = match paused {
        None => next.paused,
        Some(false) => None,
        Some(true) => next.paused.or(Some(PausedBecause::ByHand)),
    };
    check(&call, &next, is_new_url)?;
    let written = call
        .store()
        .change_webhook_endpoint(call.person(), id.0, endpoint.version, &next)
        .await?;
    tracing::info!(event = "webhook_endpoint_changed", by = %call.person(), endpoint = %id.0, paused = next.paused.is_some(), "webhook endpoint changed");
    changed(&WebhookEndpointView::from(written))
}
