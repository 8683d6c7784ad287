//! `GET /v1/bulletins/{id}/clamps`.

use super::view::{AccountedFor, HeldClamp};
use crate::extract::{Authorized, PageParameters, Path, Query};
use crate::permission::{Permission, ReadBulletins};
use crate::reply::{Answer, Chunk, Columns, Failure, list as answer};
use actix_web::{HttpRequest, get};
use clampward_domain::ids::{BulletinId, YardId};
use clampward_store::bulletins::BulletinClampFilter;
use clampward_wire::page::Page;
use serde::Deserialize;
use utoipa::IntoParams;

/// Which clamps.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct HeldClampsQuery {
    /// Of this yard.
    yard: Option<YardId>,
    /// That have come to this.
    accounted: Option<AccountedFor>,
    /// `next` of the page before.
    #[param(max_length = 200)]
    after: Option<String>,
    /// Most items of the page.
    #[param(minimum = 1, maximum = 200, default = 50)]
    limit: Option<u32>,
}

/// Clamps of a bulletin
///
/// Those of your yards that it holds or held, in the order of their ids, each with what shows that it is accounted for.
#[utoipa::path(
    operation_id = "list_bulletin_clamps",
    tag = "Bulletins",
    params(("id" = BulletinId, Path, description = "The bulletin."), HeldClampsQuery),
    extensions(("x-permission" = json!(ReadBulletins::NAME)), ("x-problems" = json!(["not-found"])),
        ("x-csv-columns" = json!(HeldClamp::NAMES))),
    responses((status = 200, description = "A page of clamps.", body = Page<HeldClamp>))
)]
#[get("/v1/bulletins/{id}/clamps")]
pub async fn clamps(
    call: Authorized<ReadBulletins>,
    id: Path<BulletinId>,
    query: Query<HeldClampsQuery>,
    request: HttpRequest,
) -> Answer {
    let id = id.0;
    if call.store().bulletin(id).await?.is_none() {
        return Err(Failure::not_found("bulletin"));
    }
    let HeldClampsQuery {
        yard,
        accounted,
        after,
        limit,
    } = query.0;
    let filter = BulletinClampFilter {
        yard,
        accounted: accounted.map(Into::into),
        clamp: None,
    };
    let page = PageParameters { after, limit };
    let source = async move |call: &Authorized<ReadBulletins>, after, size: crate::reply::Size| {
        let store = call.store();
        let clamps = store
            .bulletin_clamps(call.yards(), id, filter, after, size.with_surplus())
            .await?;
        Ok(Chunk::from_surplus(clamps, size, |one| one.clamp).map(HeldClamp::from))
    };
    answer(&request, call, &page, source).await
}
