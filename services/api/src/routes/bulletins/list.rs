//! `GET /v1/bulletins`.

use super::view::BulletinView;
use crate::extract::{Authorized, PageParameters, Query};
use crate::permission::{Permission, ReadBulletins};
use crate::reply::{Answer, Chunk, Columns, TimedKey, list as answer};
use actix_web::{HttpRequest, get};
use clampward_domain::ids::BulletinId;
use clampward_store::bulletins::BulletinRecord;
use clampward_wire::page::Page;
use serde::Deserialize;
use utoipa::IntoParams;

/// Which bulletins.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct BulletinsQuery {
    /// Only those that are open, or only those that are closed.
    open: Option<bool>,
    /// `next` of the page before.
    #[param(max_length = 200)]
    after: Option<String>,
    /// Most items of the page.
    #[param(minimum = 1, maximum = 200, default = 50)]
    limit: Option<u32>,
}

/// Bulletins
///
/// Those of the whole company, the one opened last first.
#[utoipa::path(
    operation_id = "list_bulletins",
    tag = "Bulletins",
    params(BulletinsQuery),
    extensions(("x-permission" = json!(ReadBulletins::NAME)), ("x-csv-columns" = json!(BulletinView::NAMES))),
    responses((status = 200, description = "A page of bulletins.", body = Page<BulletinView>))
)]
#[get("/v1/bulletins")]
pub async fn list(
    call: Authorized<ReadBulletins>,
    query: Query<BulletinsQuery>,
    request: HttpRequest,
) -> Answer {
    let BulletinsQuery { open, after, limit } = query.0;
    let page = PageParameters { after, limit };
    let source = async move |call: &Authorized<ReadBulletins>,
                             after: Option<TimedKey<BulletinId>>,
                             size: crate::reply::Size| {
        let after = after.map(|TimedKey(at, id)| (at, id));
        let bulletins = call.store().bulletins(open, after, size.with_surplus()).await?;
        let key = |one: &BulletinRecord| TimedKey(one.opened_at, one.id);
        Ok(Chunk::from_surplus(bulletins, size, key).map(BulletinView::from))
    };
    answer(&request, call, &page, source).await
}
