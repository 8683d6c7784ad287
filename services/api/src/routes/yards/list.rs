//! `GET /v1/yards`.

use super::view::YardView;
use crate::extract::{Authorized, PageParameters, Query};
use crate::permission::{Permission, ReadReference};
use crate::reply::{Answer, ok};
use actix_web::get;
use clampward_wire::page::Page;

/// Yards
///
/// Those that you see, in the order of their ids, which is the order of their recording.
#[utoipa::path(
    operation_id = "list_yards",
    tag = "Reference data",
    params(PageParameters),
    extensions(("x-permission" = json!(ReadReference::NAME))),
    responses((status = 200, description = "A page of yards.", body = Page<YardView>))
)]
#[get("/v1/yards")]
pub async fn list(call: Authorized<ReadReference>, page: Query<PageParameters>) -> Answer {
    let (after, limit) = page.0.read()?;
    let yards = call.store().yards(call.yards(), after, limit + 1).await?;
    ok(&Page::from_surplus(yards, limit, |yard| yard.id.to_string()).map(YardView::from))
}
