//! `GET /v1/clamps`.

use super::view::{self, Known};
use crate::extract::{Authorized, Query, instant, page, refused};
use crate::permission::{Permission, ReadClamps};
use crate::reply::{Answer, ok};
use actix_web::get;
use clampward_domain::criteria::criterion;
use clampward_domain::ids::{BulletinId, ClampId, ModelId, YardId};
use clampward_domain::words::{LockoutReason, Status};
use clampward_store::ClampFilter;
use clampward_wire::clamp::ClampView;
use clampward_wire::page::{Page, encode_key};
use clampward_wire::problem::FieldError;
use serde::Deserialize;
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

/// List clamps
///
/// Those in one's yards, in the order of their ids. Unknown filters are refused. A page may be shorter than `limit` and
/// have a next one all the same; `next` is null on the last page.
#[utoipa::path(
    tag = "Clamps",
    params(Filters),
    extensions(("x-permission" = json!(ReadClamps::NAME))),
    responses((status = 200, description = "A page of clamps.", body = Page<ClampView>))
)]
#[get("/v1/clamps")]
pub async fn list(call: Authorized<ReadClamps>, filters: Query<Filters>) -> Answer {
    let filters = filters.0;
    let (after, limit) = page::<ClampId>(filters.after.as_deref(), filters.limit)?;
    let due_before = filters
        .due_before
        .as_deref()
        .map(|text| instant("/due_before", text))
        .transpose()?;
    if let Some(reason) = &filters.reason
        && LockoutReason::from_code(reason).is_none()
        && criterion(reason).is_none()
    {
        let detail = "neither a reason of a lock-out nor a criterion: GET /v1/criteria lists the criteria";
        return Err(refused(FieldError::new("/reason", "unknown-word", detail)));
    }
    let filter = ClampFilter {
        yard: filters.yard,
        status: filters.status,
        mark: filters.mark,
        maker: filters.maker,
        model: filters.model,
        due_before,
        fit: filters.fit,
        reason: filters.reason,
        bulletin: filters.bulletin,
    };
    let now = call.now();
    let page = call
        .store()
        .clamp_list(call.yards(), &filter, after, limit)
        .await?;
    let items = page
        .clamps
        .iter()
        .filter_map(|clamp| {
            let known = Known {
                position: clamp.knowledge.position,
                at: now,
            };
            view::clamp(&clamp.state, clamp.seq, &clamp.reference, now, known)
        })
        .collect();
    ok(&Page {
        items,
        next: page.next.map(|id| encode_key(&id.to_string())),
    })
}
