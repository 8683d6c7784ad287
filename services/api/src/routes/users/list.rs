//! `GET /v1/users`.

use super::view::UserView;
use crate::extract::{Authorized, PageParameters, Query};
use crate::permission::{Permission, ReadPeople};
use crate::reply::{Answer, Chunk, Columns, list as answer};
use actix_web::{HttpRequest, get};
use clampward_store::people::AccountKind;
use clampward_wire::page::Page;

/// People
///
/// In the order of their ids, which is the order of their recording.
#[utoipa::path(
    operation_id = "list_users",
    tag = "People",
    params(PageParameters),
    extensions(("x-permission" = json!(ReadPeople::NAME)), ("x-csv-columns" = json!(UserView::NAMES))),
    responses((status = 200, description = "A page of accounts.", body = Page<UserView>))
)]
#[get("/v1/users")]
pub async fn list(call: Authorized<ReadPeople>, page: Query<PageParameters>, request: HttpRequest) -> Answer {
    answer(
        &request,
        call,
        &page.0,
        async |call: &Authorized<ReadPeople>, after, size| {
            let accounts = call
                .store()
                .accounts(AccountKind::Person, after, size.with_surplus())
                .await?;
            Ok(Chunk::from_surplus(accounts, size, |account| account.id).map(UserView::from))
        },
    )
    .await
}
