//! `GET /v1/service-accounts/{id}`.

use super::account;
use super::view::ServiceAccountView;
use crate::extract::{Authorized, Path};
use crate::permission::{KeepPeople, Permission};
use crate::reply::{Answer, resource};
use actix_web::{HttpRequest, get};
use clampward_domain::ids::PersonId;

/// One service account
///
/// As it is now; its ETag goes into a change.
#[utoipa::path(
    operation_id = "read_service_account",
    tag = "People",
    params(("id" = PersonId, Path, description = "The service account.")),
    extensions(("x-permission" = json!(KeepPeople::NAME)), ("x-problems" = json!(["not-found"]))),
    responses(
        (status = 200, description = "The service account.", body = ServiceAccountView, headers(("ETag" = String, description = "Over the bytes sent."))),
        (status = 304, description = "You have these bytes already."))
)]
#[get("/v1/service-accounts/{id}")]
pub async fn read(call: Authorized<KeepPeople>, id: Path<PersonId>, request: HttpRequest) -> Answer {
    let account = account(call.store(), id.0).await?;
    resource(&request, &ServiceAccountView::from(account))
}
