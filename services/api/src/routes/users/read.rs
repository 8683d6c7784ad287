//! `GET /v1/users/{id}`.

use super::view::UserView;
use crate::extract::{Authorized, Path};
use crate::permission::{Permission, ReadPeople};
use crate::reply::{Answer, Failure, resource};
use actix_web::{HttpRequest, get};
use clampward_domain::ids::PersonId;
use clampward_store::people::AccountKind;

/// One person
///
/// Roles, yards and whether they may sign in. The ETag is needed for a change.
#[utoipa::path(
    operation_id = "read_user",
    tag = "People",
    params(("id" = PersonId, Path, description = "The person.")),
    extensions(("x-permission" = json!(ReadPeople::NAME)), ("x-problems" = json!(["not-found"]))),
    responses(
        (status = 200, description = "The account.", body = UserView, headers(("ETag" = String, description = "Over the bytes sent."))),
        (status = 304, description = "You have these bytes already."))
)]
#[get("/v1/users/{id}")]
pub async fn read(call: Authorized<ReadPeople>, id: Path<PersonId>, request: HttpRequest) -> Answer {
    let account = call
        .store()
        .account_of(AccountKind::Person, id.0)
        .await?
        .ok_or_else(|| Failure::not_found("person"))?;
    resource(&request, &UserView::from(account))
}
