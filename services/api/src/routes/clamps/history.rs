//! `GET /v1/clamps/{clamp_id}/entries`.

use super::view;
use crate::extract::{Authorized, PageParameters, Path, Query};
use crate::permission::{Permission, ReadClamps};
use crate::reply::{Answer, Chunk, Columns, Failure, list};
use actix_web::{HttpRequest, get};
use clampward_domain::ids::ClampId;
use clampward_wire::clamp::EntryView;
use clampward_wire::page::Page;

/// See a clamp's history
///
/// Every entry ever recorded about it, newest first by recording, each with what it came to and its chained hash.
#[utoipa::path(
    operation_id = "list_entries",
    tag = "Clamps",
    params(("clamp_id" = ClampId, Path, description = "The clamp."), PageParameters),
    extensions(("x-permission" = json!(ReadClamps::NAME)), ("x-csv-columns" = json!(EntryView::NAMES)), ("x-problems" = json!(["not-found"]))),
    responses((status = 200, description = "A page of entries.", body = Page<EntryView>))
)]
#[get("/v1/clamps/{clamp_id}/entries")]
pub async fn history(
    call: Authorized<ReadClamps>,
    clamp_id: Path<ClampId>,
    page: Query<PageParameters>,
    request: HttpRequest,
) -> Answer {
    let clamp = clamp_id.0;
    list(
        &request,
        call,
        &page.0,
        async move |call: &Authorized<ReadClamps>, before: Option<u64>, size| {
            let rows = call
                .store()
                .clamp_history(clamp, call.yards(), before, size.with_surplus())
                .await?
                .ok_or_else(|| Failure::not_found("clamp"))?;
            Ok(Chunk::from_surplus(rows, size, |row| row.seq).map(view::Entry))
        },
    )
    .await
}
