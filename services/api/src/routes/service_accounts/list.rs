//! `GET /v1/service-accounts`.

use super::view::ServiceAccountView;
use crate::extract::{Authorized, PageParameters, Query};
use crate::permission::{KeepPeople, Permission};
use crate::reply::{Answer, Chunk, Columns, list as answer};
use actix_web::{HttpRequest, get};
use clampward_store::people::AccountKind;
use clampward_wire::page::Page;

/// Service accounts
///
/// In the order of their ids, which is the order of their recording.
#[utoipa::path(
    operation_id = "list_service_accounts",
    tag = "People",
    params(PageParameters),
    extensions(("x-permission" = json!(KeepPeople::NAME)), ("x-csv-columns" = json!(ServiceAccountView::NAMES))),
    responses((status = 200, description = "A page of service accounts.", body = Page<ServiceAccountView>))
)]
#[get("/v1/service-accounts")]
pub async fn list(call: Authorized<KeepPeople>, page: Query<PageParameters>, request: HttpRequest) -> Answer {
    answer(
        &request,
        call,
        &page.0,
        async |call: &Authorized<KeepPeople>, after, size| {
            let accounts = call
                .store()
                .accounts(AccountKind::Service, after, size.with_surplus())
                .await?;
            Ok(Chunk::from_surplus(accounts, size, |account| account.id).map(ServiceAccountView::from))
        },
    )
    .await
}
