//! `POST /v1/service-accounts/{id}/secrets/{secret}/revocation`.

use crate::extract::{Authorized, Path};
use crate::idempotency::Idempotent;
use crate::permission::{KeepPeople, Permission};
use crate::reply::{Answer, Failure};
use actix_web::{HttpResponse, post};
use clampward_domain::ids::PersonId;
use clampward_store::people::PeopleError;
use uuid::Uuid;

/// Withdraw a secret
///
/// At once: neither it nor the access tokens that were handed out for it open anything any more. Withdrawing it again
/// changes nothing.
#[utoipa::path(
    operation_id = "revoke_service_account_secret",
    tag = "People",
    params(("id" = PersonId, Path, description = "The service account."), ("secret" = Uuid, Path, description = "The secret's id.")),
    extensions(("x-permission" = json!(KeepPeople::NAME)), ("x-idempotent" = json!(true)), ("x-problems" = json!(["not-found"]))),
    responses((status = 204, description = "Withdrawn."))
)]
#[post("/v1/service-accounts/{id}/secrets/{secret}/revocation")]
pub async fn revoke_secret(
    call: Authorized<KeepPeople>,
    path: Path<(PersonId, Uuid)>,
    once: Idempotent,
) -> Answer {
    let (id, secret) = path.0;
    once.run(call, async |call| withdraw(call, id, secret).await)
        .await
}

async fn withdraw(call: &Authorized<KeepPeople>, id: PersonId, secret: Uuid) -> Answer {
    call.everywhere()?;
    call.store()
        .revoke_service_secret(id, secret)
        .await
        .map_err(|error| match error {
            PeopleError::NotFound => Failure::not_found("secret"),
            other => other.into(),
        })?;
    tracing::info!(event = "service_secret_revoked", by = %call.person(), account = %id, %secret, "secret withdrawn");
    Ok(HttpResponse::NoContent().finish())
}
