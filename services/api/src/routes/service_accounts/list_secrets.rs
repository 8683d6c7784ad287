//! `GET /v1/service-accounts/{id}/secrets`.

use super::account;
use super::view::SecretView;
use crate::extract::{Authorized, Path};
use crate::permission::{KeepPeople, Permission};
use crate::reply::{Answer, ok};
use actix_web::get;
use clampward_domain::ids::PersonId;
use serde::Serialize;
use utoipa::ToSchema;

/// What is known of an account's secrets.
#[derive(Serialize, ToSchema)]
pub struct Secrets {
    /// The newest first, at most a hundred.
    items: Vec<SecretView>,
}

/// Secrets of a service account
///
/// Since when, until when, withdrawn when, last used when; never the secrets themselves.
#[utoipa::path(
    operation_id = "list_service_account_secrets",
    tag = "People",
    params(("id" = PersonId, Path, description = "The service account.")),
    extensions(("x-permission" = json!(KeepPeople::NAME)), ("x-problems" = json!(["not-found"]))),
    responses((status = 200, description = "The secrets, the newest first.", body = Secrets))
)]
#[get("/v1/service-accounts/{id}/secrets")]
pub async fn list_secrets(call: Authorized<KeepPeople>, id: Path<PersonId>) -> Answer {
    account(call.store(), id.0).await?;
    let secrets = call.store().service_secrets(id.0).await?;
    ok(&Secrets {
        items: secrets.into_iter().map(SecretView::from).collect(),
    })
}
