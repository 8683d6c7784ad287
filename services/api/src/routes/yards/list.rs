//! `GET /v1/yards`.

use super::view::YardView;
use crate::extract::{Authorized, PageParameters, Query};
use crate::permission::{Permission, ReadReference};
use crate::reply::{Answer, Chunk, Columns, list as answer};
use actix_web::{HttpRequest, get};
use clampward_wire::page::Page;

/// Yards
///
/// Those that you see, in the order of their ids, which is the order of their recording.
#[utoipa::path(
    operation_id = "list_yards",
    tag = "Reference data",
    params(PageParameters),
    extensions(("x-permission" = json!(ReadReference::NAME)), ("x-csv-columns" = json!(YardView::NAMES))),
    responses((status = 200, description = "A page of yards.", body = Page<YardView>))
)]
#[get("/v1/yards")]
pub async fn list(
    call: Authorized<ReadReference>,
    page: Query<PageParameters>,
    request: HttpRequest,
) -> Answer {
    answer(
        &request,
        call,
        &page.0,
        async |call: &Authorized<ReadReference>, after, size| {
            let yards = call
                .store()
                .yards(call.yards(), after, size.with_surplus())
                .await?;
            Ok(Chunk::from_surplus(yards, size, |yard| yard.id).map(YardView::from))
        },
    )
    .await
}
