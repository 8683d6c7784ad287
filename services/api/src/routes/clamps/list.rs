//! `GET /v1/clamps`.

use super::view;
use crate::extract::{Authorized, PageParameters, Query, instant, refused};
use crate::permission::{Permission, ReadClamps};
use crate::reply::{Answer, Chunk, Columns, Failure, Size, list as answer};
use actix_web::{HttpRequest, get};
use clampward_domain::criteria::criterion;
use clampward_domain::ids::{BulletinId, ModelId, YardId};
use clampward_domain::words::{LockoutReason, Status};
use clampward_store::{ClampFilter, ReadClamp};
use clampward_wire::clamp::ClampView;
use clampward_wire::page::Page;
use clampward_wire::problem::FieldError;
use serde::Deserialize;
use std::sync::Arc;
use utoipa::IntoParams;

/// What to list; everything given must hold.
#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Filters {
    /// In this yard.
    yard: Option<YardId>,
    /// With this status now.
    status: Option<Status>,
    /// Of this maker.
    maker: Option<String>,
    /// Of this model.
    model: Option<ModelId>,
    /// With this mark; case, spaces, hyphens and look-alike characters are forgiven.
    #[param(example = "PEL-006")]
    mark: Option<String>,
    /// With an inspection that is due before this instant.
    #[param(value_type = Option<Timestamp>, example = "2026-04-01T00:00:00Z")]
    due_before: Option<String>,
    /// Fit now, or not.
    fit: Option<bool>,
    /// With an open lock-out for this reason or criterion.
    #[param(example = "shackle_eye_worn")]
    reason: Option<String>,
    /// Held by this bulletin.
    bulletin: Option<BulletinId>,
    /// Items of a page: 1 to 200, 50 if left out.
    #[param(minimum = 1, maximum = 200)]
    limit: Option<u32>,
    /// The `next` of the page before.
    after: Option<String>,
}

impl Filters {
    /// The filter in the store's terms.
    fn read(self) -> Result<ClampFilter, Failure> {
        let due_before = self
            .due_before
            .as_deref()
            .map(|text| instant("/due_before", text))
            .transpose()?;
        if let Some(reason) = &self.reason
            && LockoutReason::from_code(reason).is_none()
            && criterion(reason).is_none()
        {
            let detail =
                "neither a reason of a lock-out nor a criterion: GET /v1/criteria lists the criteria";
            return Err(refused(FieldError::new("/reason", "unknown-word", detail)));
        }
        Ok(ClampFilter {
            yard: self.yard,
            status: self.status,
            mark: self.mark,
            maker: self.maker,
            model: self.model,
            due_before,
            fit: self.fit,
            reason: self.reason,
            bulletin: self.bulletin,
        })
    }
}

/// List clamps
///
/// Those in one's yards, in the order of their ids. Unknown filters are refused. A page may be shorter than `limit` and
/// have a next one all the same; `next` is null on the last page.
#[utoipa::path(
    operation_id = "list_clamps",
    tag = "Clamps",
    params(Filters),
    extensions(("x-permission" = json!(ReadClamps::NAME)), ("x-csv-columns" = json!(ClampView::NAMES))),
    responses((status = 200, description = "A page of clamps.", body = Page<ClampView>))
)]
#[get("/v1/clamps")]
pub async fn list(call: Authorized<ReadClamps>, filters: Query<Filters>, request: HttpRequest) -> Answer {
    let page = PageParameters {
        after: filters.0.after.clone(),
        limit: filters.0.limit,
    };
    let filter = Arc::new(filters.0.read()?);
    answer(
        &request,
        call,
        &page,
        async move |call: &Authorized<ReadClamps>, after, size| {
            let (store, now) = (call.store(), call.now());
            let chunk = match size {
                Size::Page(limit) => {
                    let page = store.clamp_list(call.yards(), &filter, after, limit).await?;
                    Chunk {
                        items: page.clamps.into_iter().map(ReadClamp::from).collect(),
                        next: page.next,
                    }
                }
                Size::Bulk(limit) => {
                    let read = store.clamps_in_bulk(call.yards(), &filter, after, limit).await?;
                    Chunk {
                        items: read.clamps,
                        next: read.next,
                    }
                }
            };
            Ok(chunk.map(|read| view::Clamp {
                read,
                filter: Arc::clone(&filter),
                now,
            }))
        },
    )
    .await
}
