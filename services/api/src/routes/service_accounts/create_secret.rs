//! `POST /v1/service-accounts/{id}/secrets`.

use super::view::HandedOutSecret;
use super::{account, new_secret, secret_days};
use crate::extract::{Authorized, Json, Path};
use crate::idempotency::Idempotent;
use crate::permission::{KeepPeople, Permission};
use crate::reply::{Answer, created};
use actix_web::post;
use clampward_domain::ids::PersonId;
use serde::Deserialize;
use utoipa::ToSchema;

/// A further secret.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewSecretRequest {
    /// Days until it expires; a year if left out.
    #[schema(minimum = 1, maximum = 365, examples(365))]
    secret_days: Option<u32>,
}

/// Hand out a further secret
///
/// For rotation without a gap: two secrets of an account may be valid at once. Hand out the next one, let the program
/// change over, look at `last_used_at`, then withdraw the old one.
#[utoipa::path(
    operation_id = "create_service_account_secret",
    tag = "People",
    params(("id" = PersonId, Path, description = "The service account.")),
    request_body = NewSecretRequest,
    extensions(("x-permission" = json!(KeepPeople::NAME)), ("x-idempotent" = json!(true)), ("x-problems" = json!(["not-found", "secrets-full"]))),
    responses((status = 201, description = "Handed out; shown here only.", body = HandedOutSecret, headers(
        ("Location" = String, description = "Where the account's secrets are."), ("ETag" = String, description = "Over the bytes sent."))))
)]
#[post("/v1/service-accounts/{id}/secrets")]
pub async fn create_secret(
    call: Authorized<KeepPeople>,
    id: Path<PersonId>,
    body: Json<NewSecretRequest>,
    once: Idempotent,
) -> Answer {
    once.run(call, async |call| hand_out(call, id.0, body.0).await)
        .await
}

async fn hand_out(call: &Authorized<KeepPeople>, id: PersonId, new: NewSecretRequest) -> Answer {
    call.everywhere()?;
    account(call.store(), id).await?;
    let (secret, kept) = new_secret(call.now(), secret_days(new.secret_days)?)?;
    let record = call.store().add_service_secret(call.person(), id, &kept).await?;
    tracing::info!(event = "service_secret_created", by = %call.person(), account = %id, secret = %record.id, "secret handed out");
    let answer = HandedOutSecret {
        client_id: id,
        client_secret: secret.reveal().to_owned(),
        secret_id: record.id,
        secret_expires_at: record.expires_at,
    };
    created(&format!("/v1/service-accounts/{id}/secrets"), &answer)
}
