//! `GET /v1/notices`.

use super::view::NoticeView;
use crate::extract::{Authorized, PageParameters, Query};
use crate::permission::{Permission, ReadNotices, ReadTeamNotices};
use crate::reply::{Answer, Chunk, Columns, TimedKey, list as answer};
use actix_web::{HttpRequest, get};
use clampward_domain::ids::{ClampId, PersonId};
use clampward_domain::notice::NoticeKind;
use clampward_domain::reference::YardScope;
use clampward_store::notices::{NoticeFilter, NoticeRecord};
use serde::Deserialize;
use utoipa::IntoParams;
use uuid::Uuid;

/// Which notices.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct NoticesQuery {
    /// Also those to others, about your yards: yard leads, the safety team, auditors and administrators may see them.
    team: Option<bool>,
    /// With `team`: only those to this person.
    recipient: Option<PersonId>,
    /// Of this kind.
    kind: Option<NoticeKind>,
    /// About this clamp.
    clamp: Option<ClampId>,
    /// Whether they are open: neither acknowledged nor over.
    open: Option<bool>,
    /// `next` of the page before.
    #[param(max_length = 200)]
    after: Option<String>,
    /// Most items of the page.
    #[param(minimum = 1, maximum = 200, default = 50)]
    limit: Option<u32>,
}

/// Notices
///
/// What you were told, the newest first; with `team` what anybody was told of your yards.
#[utoipa::path(
    operation_id = "list_notices",
    tag = "Notices",
    params(NoticesQuery),
    extensions(("x-permission" = json!(ReadNotices::NAME)), ("x-csv-columns" = json!(NoticeView::NAMES))),
    responses((status = 200, description = "A page of notices.", body = clampward_wire::page::Page<NoticeView>))
)]
#[get("/v1/notices")]
pub async fn list(call: Authorized<ReadNotices>, query: Query<NoticesQuery>, request: HttpRequest) -> Answer {
    let query = query.0;
    let page = PageParameters {
        after: query.after,
        limit: query.limit,
    };
    let is_team = query.team == Some(true);
    if is_team {
        call.also::<ReadTeamNotices>()?;
    }
    let recipient = if is_team {
        query.recipient
    } else {
        Some(call.person())
    };
    let filter = NoticeFilter {
        recipient,
        kind: query.kind,
        clamp: query.clamp,
        open: query.open,
    };
    let source = async move |call: &Authorized<ReadNotices>,
                             after: Option<TimedKey<Uuid>>,
                             size: crate::reply::Size| {
        let after = after.map(|TimedKey(at, id)| (at, id));
        // What one was told oneself is one's own, whatever yard it is about.
        let yards = if is_team { call.yards() } else { &YardScope::All };
        let notices = call
            .store()
            .notices(yards, &filter, after, size.with_surplus())
            .await?;
        let key = |notice: &NoticeRecord| TimedKey(notice.raised_at, notice.id);
        Ok(Chunk::from_surplus(notices, size, key).map(NoticeView::from))
    };
    answer(&request, call, &page, source).await
}
