//! `GET /v1/clamps/{clamp_id}/entries`.

use super::view;
use crate::extract::{Authorized, PageParameters, Path, Query};
use crate::permission::{Permission, ReadClamps};
use crate::reply::{Answer, Failure, ok};
use actix_web::get;
use clampward_domain::ids::ClampId;
use clampward_wire::clamp::EntryView;
use clampward_wire::page::Page;

/// See a clamp's history
///
/// Every entry ever recorded about it, newest first by recording, each with what it came to and its chained hash.
#[utoipa::path(
    tag = "Clamps",
    params(("clamp_id" = ClampId, Path, description = "The clamp."), PageParameters),
    extensions(("x-permission" = json!(ReadClamps::NAME)), ("x-problems" = json!(["not-found"]))),
    responses((status = 200, description = "A page of entries.", body = Page<EntryView>))
)]
#[get("/v1/clamps/{clamp_id}/entries")]
pub async fn history(
    call: Authorized<ReadClamps>,
    clamp_id: Path<ClampId>,
    page: Query<PageParameters>,
) -> Answer {
    let (before, limit) = page.0.read()?;
    let rows = call
        .store()
        .clamp_history(clamp_id.0, call.yards(), before, limit.saturating_add(1))
        .await?
        .ok_or_else(|| Failure::not_found("clamp"))?;
    let entries = rows.into_iter().map(view::entry).collect::<Result<Vec<_>, _>>()?;
    ok(&Page::from_surplus(entries, limit, |entry| entry.seq.to_string()))
}
