//! `GET /v1/held-entries`.

use super::view::{HeldEntryView, SettledAs};
use crate::extract::{Authorized, PageParameters, Query};
use crate::permission::{KeepHeldEntries, Permission};
use crate::reply::{Answer, Chunk, Columns, TimedKey, list as answer};
use actix_web::{HttpRequest, get};
use clampward_domain::ids::{DeviceId, EntryId, YardId};
use clampward_store::sync::held::{HeldEntry, HeldFilter, HeldReason as Reason};
use clampward_wire::page::Page;
use clampward_wire::sync::push::HeldReason;
use serde::Deserialize;
use utoipa::IntoParams;

/// Which held entries.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct HeldEntriesQuery {
    /// Of this yard: its device's, or that of a clamp which it bars.
    yard: Option<YardId>,
    /// In this state; those that wait have the state `held`.
    state: Option<SettledAs>,
    /// Held for this reason.
    reason: Option<HeldReason>,
    /// Of this device.
    device: Option<DeviceId>,
    /// `next` of the page before.
    #[param(max_length = 200)]
    after: Option<String>,
    /// Most items of the page.
    #[param(minimum = 1, maximum = 200, default = 50)]
    limit: Option<u32>,
}

fn reason(reason: HeldReason) -> Reason {
    match reason {
        HeldReason::UnknownKind => Reason::UnknownKind,
        HeldReason::Unreadable => Reason::Unreadable,
        HeldReason::UnknownClamp => Reason::UnknownClamp,
        HeldReason::AmbiguousMark => Reason::AmbiguousMark,
        HeldReason::UnknownReference => Reason::UnknownReference,
        HeldReason::DeviceRevoked => Reason::DeviceRevoked,
        HeldReason::Internal => Reason::Internal,
        HeldReason::IdReused => Reason::IdReused,
    }
}

/// Held entries
///
/// What devices sent and nobody could place: kept as it came, those that arrived first before the others. Yours are those of
/// your yards' devices, and those that bar a clamp of yours.
#[utoipa::path(
    operation_id = "list_held_entries",
    tag = "Held entries",
    params(HeldEntriesQuery),
    extensions(("x-permission" = json!(KeepHeldEntries::NAME)), ("x-csv-columns" = json!(HeldEntryView::NAMES))),
    responses((status = 200, description = "A page of held entries.", body = Page<HeldEntryView>))
)]
#[get("/v1/held-entries")]
pub async fn list(
    call: Authorized<KeepHeldEntries>,
    query: Query<HeldEntriesQuery>,
    request: HttpRequest,
) -> Answer {
    let query = query.0;
    let page = PageParameters {
        after: query.after,
        limit: query.limit,
    };
    let filter = HeldFilter {
        yard: query.yard,
        state: query.state.map(Into::into),
        reason: query.reason.map(reason),
        device: query.device,
    };
    let source = async move |call: &Authorized<KeepHeldEntries>,
                             after: Option<TimedKey<EntryId>>,
                             size: crate::reply::Size| {
        let after = after.map(|TimedKey(at, id)| (at, id));
        let store = call.store();
        let held = store
            .held_entries(call.yards(), &filter, after, size.with_surplus())
            .await?;
        let key = |held: &HeldEntry| TimedKey(held.received_at, held.id);
        Ok(Chunk::from_surplus(held, size, key).map(HeldEntryView::from))
    };
    answer(&request, call, &page, source).await
}
