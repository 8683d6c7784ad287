//! `GET /v1/photos`.

use super::view::{CitedPhotoView, PhotoState};
use crate::extract::{Authorized, PageParameters, Query};
use crate::permission::{Permission, ReadClamps};
use crate::reply::{Answer, Chunk, Columns, Size, list as answer};
use actix_web::{HttpRequest, get};
use clampward_domain::ids::{ClampId, YardId};
use clampward_store::photos::PhotoFilter;
use clampward_wire::page::Page;
use serde::Deserialize;
use utoipa::IntoParams;

/// What to list; everything given must hold.
#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Filters {
    /// Awaited, or there.
    #[param(example = "pending")]
    state: Option<PhotoState>,
    /// Of clamps that this yard has now.
    yard: Option<YardId>,
    /// Of this clamp.
    clamp_id: Option<ClampId>,
    /// Items of a page: 1 to 200, 50 if left out.
    #[param(minimum = 1, maximum = 200)]
    limit: Option<u32>,
    /// The `next` of the page before.
    after: Option<String>,
}

/// List photos that entries cite
///
/// Of clamps in one's yards, in the order in which the entries were recorded. With `state=pending` those that have not
/// arrived: an entry never waits for its photos, so that they may come long after it, and nobody but whoever took them can
/// send them.
#[utoipa::path(
    operation_id = "list_photos",
    tag = "Photos",
    params(Filters),
    extensions(("x-permission" = json!(ReadClamps::NAME)), ("x-csv-columns" = json!(CitedPhotoView::NAMES))),
    responses((status = 200, description = "A page of photos.", body = Page<CitedPhotoView>))
)]
#[get("/v1/photos")]
pub async fn list(call: Authorized<ReadClamps>, filters: Query<Filters>, request: HttpRequest) -> Answer {
    let filters = filters.0;
    let page = PageParameters {
        after: filters.after,
        limit: filters.limit,
    };
    let filter = PhotoFilter {
        is_pending: filters.state.map(|state| state == PhotoState::Pending),
        yard: filters.yard,
        clamp: filters.clamp_id,
    };
    answer(
        &request,
        call,
        &page,
        async move |call: &Authorized<ReadClamps>, after, size| {
            let (Size::Page(limit) | Size::Bulk(limit)) = size;
            let (photos, next) = call
                .store()
                .photo_list(call.yards(), filter, after, limit)
                .await?;
            Ok(Chunk {
                items: photos.into_iter().map(CitedPhotoView::from).collect(),
                next,
            })
        },
    )
    .await
}
