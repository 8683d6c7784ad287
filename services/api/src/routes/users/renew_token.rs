//! `POST /v1/users/{id}/set-password-tokens`.

use super::hand_out_token;
use crate::extract::{Authorized, Path};
use crate::idempotency::Idempotent;
use crate::permission::{KeepPeople, Permission};
use crate::reply::{Answer, Failure};
use actix_web::{HttpResponse, post};
use clampward_domain::ids::PersonId;
use clampward_store::people::AccountKind;
use clampward_wire::problem;
use jiff::Timestamp;
use serde::Serialize;
use utoipa::ToSchema;

/// A one-time token.
#[derive(Serialize, ToSchema)]
pub struct SetPasswordTokenAnswer {
    /// Hand it to the person; it is shown here only.
    #[schema(examples("cwp_Zt8sKpQe7uVrLdN4xT6kEfA5bGJ3mFqOaXh1C0yB2w9"))]
    set_password_token: String,
    /// Until when it can be used.
    set_password_until: Timestamp,
}

/// Hand out a new one-time token
///
/// For somebody who forgot their password. Earlier one-time tokens of the person open nothing any more; the password stays
/// until the person sets another.
#[utoipa::path(
    operation_id = "hand_out_set_password_token",
    tag = "People",
    params(("id" = PersonId, Path, description = "The person.")),
    extensions(("x-permission" = json!(KeepPeople::NAME)), ("x-idempotent" = json!(true)), ("x-problems" = json!(["not-found", "own-grants"]))),
    responses((status = 201, description = "Handed out.", body = SetPasswordTokenAnswer))
)]
#[post("/v1/users/{id}/set-password-tokens")]
pub async fn renew_token(call: Authorized<KeepPeople>, id: Path<PersonId>, once: Idempotent) -> Answer {
    once.run(call, async |call| hand_out(call, id.0).await).await
}

async fn hand_out(call: &Authorized<KeepPeople>, person: PersonId) -> Answer {
    call.everywhere()?;
    // Whoever got hold of an administrator's access token must not be able to keep the account.
    if person == call.person() {
        let detail = "Another administrator hands out the token for your password.";
        return Err(Failure::new(problem::OWN_GRANTS, detail));
    }
    call.store()
        .account_of(AccountKind::Person, person)
        .await?
        .ok_or_else(|| Failure::not_found("person"))?;
    let (set_password_token, set_password_until) =
        hand_out_token(call.store(), person, call.limits().set_password_hours).await?;
    tracing::info!(event = "set_password_token_handed_out", by = %call.person(), account = %person, "one-time token handed out");
    Ok(HttpResponse::Created().json(SetPasswordTokenAnswer {
        set_password_token,
        set_password_until,
    }))
}
