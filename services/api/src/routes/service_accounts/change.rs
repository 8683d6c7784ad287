//! `PATCH /v1/service-accounts/{id}`.

use super::account;
use super::view::ServiceAccountView;
use crate::extract::{Authorized, Json, Path};
use crate::permission::{KeepPeople, Permission};
use crate::reply::{Answer, changed, if_match};
use crate::routes::users::check;
use crate::routes::users::view::Yards;
use actix_web::{HttpRequest, patch};
use clampward_domain::ids::PersonId;
use serde::Deserialize;
use utoipa::ToSchema;

/// What changes; what is left out stays.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ServiceAccountChange {
    /// What it is for.
    #[schema(min_length = 1, max_length = 120)]
    name: Option<String>,
    /// The yards that it sees.
    yards: Option<Yards>,
    /// Whether it may sign in.
    enabled: Option<bool>,
}

/// Change a service account
///
/// Records a new version, which acts at once: also on tokens that were handed out before. Closing it withdraws its secrets
/// for good; opened again, it needs a new one.
#[utoipa::path(
    operation_id = "change_service_account",
    tag = "People",
    params(("id" = PersonId, Path, description = "The service account."), ("If-Match" = String, Header, description = "The account's ETag.")),
    request_body = ServiceAccountChange,
    extensions(("x-permission" = json!(KeepPeople::NAME)), ("x-problems" = json!(["not-found", "version-missing", "version-stale"]))),
    responses((status = 200, description = "Recorded.", body = ServiceAccountView, headers(("ETag" = String, description = "Over the bytes sent."))))
)]
#[patch("/v1/service-accounts/{id}")]
pub async fn change(
    call: Authorized<KeepPeople>,
    id: Path<PersonId>,
    body: Json<ServiceAccountChange>,
    request: HttpRequest,
) -> Answer {
    call.everywhere()?;
    let account = account(call.store(), id.0).await?;
    if_match(&request, &ServiceAccountView::from(account.clone()))?;
    let ServiceAccountChange { name, yards, enabled } = body.0;
    let mut next = account.body;
    next.name = name.unwrap_or(next.name);
    next.yards = yards.map_or(next.yards, |yards| yards.0);
    next.enabled = enabled.unwrap_or(next.enabled);
    check(call.store(), &next).await?;
    let written = call
        .store()
        .change_account(call.new_id()?, call.person(), id.0, account.version, &next)
        .await?;
    changed(&ServiceAccountView::from(written))
}
