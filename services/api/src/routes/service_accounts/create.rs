//! `POST /v1/service-accounts`.

use super::view::{HandedOutSecret, ServiceAccountView};
use super::{new_secret, secret_days};
use crate::extract::{Authorized, Json};
use crate::idempotency::Idempotent;
use crate::permission::{KeepPeople, Permission};
use crate::reply::{Answer, created};
use crate::routes::users::check;
use crate::routes::users::view::Yards;
use actix_web::post;
use clampward_domain::ids::PersonId;
use clampward_domain::words::Role;
use clampward_store::people::{AccountBody, AccountKind};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A new service account.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewServiceAccount {
    /// What it is for.
    #[schema(min_length = 1, max_length = 120, examples("Plant ERP, nightly counts"))]
    name: String,
    /// The yards that it sees.
    yards: Yards,
    /// Days until its first secret expires; a year if left out.
    #[schema(minimum = 1, maximum = 365, examples(365))]
    secret_days: Option<u32>,
}

/// The account and its first secret.
#[derive(Serialize, ToSchema)]
pub struct NewServiceAccountAnswer {
    /// The account.
    #[serde(flatten)]
    account: ServiceAccountView,
    /// Its secret.
    #[serde(flatten)]
    secret: HandedOutSecret,
}

/// Record a service account
///
/// For a program that signs in by itself, with the role `integration`. The answer alone shows its secret; with it the
/// program gets access tokens from `POST /v1/oauth/token`. What it records names the account as a person's entries name the
/// person. It never has a password or a competence.
#[utoipa::path(
    operation_id = "create_service_account",
    tag = "People",
    request_body = NewServiceAccount,
    extensions(("x-permission" = json!(KeepPeople::NAME)), ("x-idempotent" = json!(true))),
    responses((status = 201, description = "Recorded.", body = NewServiceAccountAnswer, headers(
        ("Location" = String, description = "Where the account is."), ("ETag" = String, description = "Over the bytes sent."))))
)]
#[post("/v1/service-accounts")]
pub async fn create(call: Authorized<KeepPeople>, body: Json<NewServiceAccount>, once: Idempotent) -> Answer {
    once.run(call, async |call| record(call, body.0).await).await
}

async fn record(call: &Authorized<KeepPeople>, new: NewServiceAccount) -> Answer {
    call.everywhere()?;
    let id = PersonId::new(call.new_id()?);
    let days = secret_days(new.secret_days)?;
    let body = AccountBody {
        kind: AccountKind::Service,
        // Nobody's address: the top-level name `invalid` never exists (RFC 2606).
        email: format!("{id}@service-accounts.invalid"),
        name: new.name,
        roles: vec![Role::Integration],
        yards: new.yards.0,
        enabled: true,
    };
    check(call.store(), &body).await?;
    let (secret, kept) = new_secret(call.now(), days)?;
    let account = call
        .store()
        .create_service_account(call.new_id()?, call.person(), id, &body, &kept)
        .await?;
    tracing::info!(event = "service_account_created", by = %call.person(), account = %id, secret = %kept.id, "service account recorded");
    let answer = NewServiceAccountAnswer {
        account: account.into(),
        secret: HandedOutSecret {
            client_id: id,
            client_secret: secret.reveal().to_owned(),
            secret_id: kept.id,
            secret_expires_at: kept.expires_at,
        },
    };
    created(&format!("/v1/service-accounts/{id}"), &answer)
}
