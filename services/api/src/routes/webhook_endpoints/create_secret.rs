//! `POST /v1/webhook-endpoints/{id}/secrets`.

use super::new_keys;
use super::view::HandedOutKeys;
use crate::extract::{Authorized, Json, Path};
use crate::idempotency::Idempotent;
use crate::permission::{KeepWebhooks, Permission};
use crate::reply::{Answer, created};
use actix_web::post;
use clampward_wire::problem::{FieldError, Problem};
use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// For how long the old secret goes on signing if nothing else is asked for.
const USUAL_HOURS: u32 = 24;
/// The longest.
const MAX_HOURS: u32 = 168;

/// A further secret.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewWebhookSecret {
    /// Hours for which the old one signs as well; 0 ends it at once, for one that was given away.
    #[schema(minimum = 0, maximum = 168, examples(24))]
    old_valid_hours: Option<u32>,
}

/// The new secret.
#[derive(Serialize, ToSchema)]
pub struct NewWebhookSecretAnswer {
    /// The secret.
    #[serde(flatten)]
    keys: HandedOutKeys,
    /// Until when the old one signs as well.
    old_valid_until: Timestamp,
}

/// Give a webhook endpoint a new secret
///
/// Until the old one ends events are signed by both: let the program change over in the meantime.
#[utoipa::path(
    operation_id = "create_webhook_secret",
    tag = "Webhooks",
    params(("id" = Uuid, Path, description = "The endpoint.")),
    request_body = NewWebhookSecret,
    extensions(("x-permission" = json!(KeepWebhooks::NAME)), ("x-idempotent" = json!(true)), ("x-problems" = json!(["not-found", "secrets-full"]))),
    responses((status = 201, description = "Handed out; shown here only.", body = NewWebhookSecretAnswer, headers(
        ("Location" = String, description = "Where it is told which secrets sign."), ("ETag" = String, description = "Over the bytes sent."))))
)]
#[post("/v1/webhook-endpoints/{id}/secrets")]
pub async fn create_secret(
    call: Authorized<KeepWebhooks>,
    id: Path<Uuid>,
    body: Json<NewWebhookSecret>,
    once: Idempotent,
) -> Answer {
    once.run(call, async |call| hand_out(call, id.0, &body.0).await)
        .await
}

async fn hand_out(call: &Authorized<KeepWebhooks>, id: Uuid, new: &NewWebhookSecret) -> Answer {
    call.everywhere()?;
    let hours = new.old_valid_hours.unwrap_or(USUAL_HOURS);
    if hours > MAX_HOURS {
        let error = FieldError::new("/old_valid_hours", "out-of-range", format!("0 to {MAX_HOURS}"));
        return Err(Problem::input(vec![error]).into());
    }
    let (kept, keys) = new_keys(call)?;
    let now = call.now();
    let until = now
        .checked_add(SignedDuration::from_hours(i64::from(hours)))
        .unwrap_or(now);
    call.store()
        .rotate_webhook_secret(call.person(), id, &kept, until)
        .await?;
    tracing::info!(event = "webhook_secret_created", by = %call.person(), endpoint = %id, secret = %kept.id, hours, "webhook secret handed out");
    let answer = NewWebhookSecretAnswer {
        keys,
        old_valid_until: until,
    };
    created(&format!("/v1/webhook-endpoints/{id}/status"), &answer)
}
