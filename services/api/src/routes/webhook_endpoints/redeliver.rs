//! `POST /v1/webhook-endpoints/{id}/redeliveries`.

use crate::extract::{Authorized, Json, Path};
use crate::idempotency::Idempotent;
use crate::permission::{KeepWebhooks, Permission};
use crate::reply::{Answer, Failure, ok};
use actix_web::post;
use clampward_store::webhooks::WebhookError;
use clampward_wire::problem::{FieldError, Problem};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// What is to be told again: one event, or everything that happened within a time.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Redelivery {
    /// One event.
    event_id: Option<Uuid>,
    /// Or everything that happened from this instant on…
    from: Option<Timestamp>,
    /// …and before this one; until now if left out.
    to: Option<Timestamp>,
}

/// What will be told again.
#[derive(Serialize, ToSchema)]
pub struct Redelivered {
    /// How many events.
    events: u64,
}

/// Tell a webhook endpoint again
///
/// Under the ids and with the bytes that the events had, at most 10,000 at once. What was told is kept for thirty days; of what is older, and of what
/// was recorded before there was the endpoint, `GET /v1/events` tells.
#[utoipa::path(
    operation_id = "redeliver_webhook_events",
    tag = "Webhooks",
    params(("id" = Uuid, Path, description = "The endpoint.")),
    request_body = Redelivery,
    extensions(("x-permission" = json!(KeepWebhooks::NAME)), ("x-idempotent" = json!(true)), ("x-problems" = json!(["not-found"]))),
    responses((status = 200, description = "They will be told again.", body = Redelivered))
)]
#[post("/v1/webhook-endpoints/{id}/redeliveries")]
pub async fn redeliver(
    call: Authorized<KeepWebhooks>,
    id: Path<Uuid>,
    body: Json<Redelivery>,
    once: Idempotent,
) -> Answer {
    once.run(call, async |call| again(call, id.0, &body.0).await)
        .await
}

async fn again(call: &Authorized<KeepWebhooks>, id: Uuid, asked: &Redelivery) -> Answer {
    call.everywhere()?;
    let store = call.store();
    let events = match (asked.event_id, asked.from) {
        (Some(event), None) if asked.to.is_none() => {
            let done = store.redeliver_event(id, event).await;
            done.map_err(|error| match error {
                WebhookError::NotFound => Failure::not_found("webhook endpoint with this event"),
                other => other.into(),
            })?
        }
        (None, Some(from)) => {
            let now = call.now();
            let to = asked.to.unwrap_or(now);
            if to <= from {
                let error = FieldError::new("/to", "out-of-range", "must come after /from");
                return Err(Problem::input(vec![error]).into());
            }
            store.redeliver_events(id, from, to).await?
        }
        _ => {
            let detail = "give either /event_id, or /from and perhaps /to";
            return Err(Problem::input(vec![FieldError::new("", "one-of-two", detail)]).into());
        }
    };
    tracing::info!(event = "webhook_redelivery", by = %call.person(), endpoint = %id, events, "events are told again");
    ok(&Redelivered { events })
}
