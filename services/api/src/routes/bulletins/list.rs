//! `GET /v1/bulletins`.

use super::view::BulletinView;
use crate::extract::{Authorized, PageParameters, Query};
use crate::permission::{Permission, ReadBulletins};
use crate::reply::{Answer, Chunk, Columns, list as answer};
use actix_web::{HttpRequest, get};
use clampward_domain::ids::BulletinId;
use clampward_store::bulletins::BulletinRecord;
use clampward_wire::page::Page;
use jiff::Timestamp;
use serde::Deserialize;
use std::fmt;
use std::str::FromStr;
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

/// The place of a bulletin in the list: when it was opened, and its id.
struct Key(Timestamp, BulletinId);

impl fmt::Display for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}_{}", self.0, self.1)
    }
}

impl FromStr for Key {
    type Err = ();
    fn from_str(text: &str) -> Result<Self, ()> {
        let (at, id) = text.split_once('_').ok_or(())?;
        Ok(Self(at.parse().map_err(drop)?, id.parse().map_err(drop)?))
    }
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
    let source =
        async move |call: &Authorized<ReadBulletins>, after: Option<Key>, size: crate::reply::Size| {
            let after = after.map(|Key(at, id)| (at, id));
            let bulletins = call.store().bulletins(open, after, size.with_surplus()).await?;
            let key = |one: &BulletinRecord| Key(one.opened_at, one.id);
            Ok(Chunk::from_surplus(bulletins, size, key).map(BulletinView::from))
        };
    answer(&request, call, &page, source).await
}
