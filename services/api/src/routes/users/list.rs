//! `GET /v1/users`.

use super::view::UserView;
use crate::extract::{Authorized, PageParameters, Query};
use crate::permission::{Permission, ReadPeople};
use crate::reply::{Answer, ok};
use actix_web::get;
use clampward_wire::page::Page;

/// People
///
/// In the order of their ids, which is the order of their recording.
#[utoipa::path(
    operation_id = "list_users",
    tag = "People",
    params(PageParameters),
    extensions(("x-permission" = json!(ReadPeople::NAME))),
    responses((status = 200, description = "A page of accounts.", body = Page<UserView>))
)]
#[get("/v1/users")]
pub async fn list(call: Authorized<ReadPeople>, page: Query<PageParameters>) -> Answer {
    let (after, limit) = page.0.read()?;
    let accounts = call.store().accounts(after, limit + 1).await?;
    ok(&Page::from_surplus(accounts, limit, |account| account.id.to_string()).map(UserView::from))
}
