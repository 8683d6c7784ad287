//! `GET /v1/me`.

use crate::extract::Authorized;
use crate::permission::{Permission, ReadSelf};
use crate::reply::{Answer, Failure, resource};
use crate::routes::users::view::UserView;
use actix_web::{HttpRequest, get};

/// Who one is signed in as
///
/// The account as it is now: roles and yards are read with every request, so a change acts at once.
#[utoipa::path(
    operation_id = "read_me",
    tag = "Sign-in",
    extensions(("x-permission" = json!(ReadSelf::NAME))),
    responses((status = 200, description = "The account.", body = UserView, headers(("ETag" = String, description = "Over the bytes sent."))))
)]
#[get("/v1/me")]
pub async fn me(call: Authorized<ReadSelf>, request: HttpRequest) -> Answer {
    let account = call
        .store()
        .account(call.person())
        .await?
        .ok_or_else(|| Failure::not_found("account"))?;
    resource(&request, &UserView::from(account))
}
