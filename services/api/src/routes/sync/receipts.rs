//! `GET /v1/sync/receipts`.

use super::results::{held, own_id};
use crate::extract::{Authorized, Query, refused};
use crate::permission::{Permission, Sync};
use crate::reply::{Answer, ok};
use actix_web::get;
use clampward_domain::ids::DeviceId;
use clampward_store::sync::receipts::{MAX_RECEIPTS, Receipt as Kept};
use clampward_wire::problem::FieldError;
use clampward_wire::sync::pull::{Receipt, Receipts};
use clampward_wire::sync::push::PushOutcome;
use serde::Deserialize;
use utoipa::IntoParams;

/// From where on.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ReceiptsQuery {
    /// The first `device_seq` that is asked for.
    #[param(minimum = 1, maximum = 9_007_199_254_740_991_u64, default = 1)]
    from: Option<u64>,
    /// The device's number, if it has another one than 1.
    #[param(minimum = 1, default = 1)]
    device_number: Option<u32>,
    /// Most receipts.
    #[param(minimum = 1, maximum = 1000, default = 1000)]
    limit: Option<u32>,
}

/// Receipts
///
/// What the service has of the calling device's entries, by `device_seq`: after a snapshot, or a service that was restored
/// from a backup, the device offers again whatever is missing here.
#[utoipa::path(
    operation_id = "read_receipts",
    tag = "Synchronisation",
    params(ReceiptsQuery),
    extensions(("x-permission" = json!(Sync::NAME)), ("x-class" = json!("writes"))),
    responses((status = 200, description = "The receipts from there on.", body = Receipts))
)]
#[get("/v1/sync/receipts")]
pub async fn receipts(call: Authorized<Sync>, query: Query<ReceiptsQuery>) -> Answer {
    let device = DeviceId::new(call.person().uuid());
    let number = query.0.device_number.unwrap_or(1);
    let limit = query.0.limit.unwrap_or(MAX_RECEIPTS);
    if !(1..=MAX_RECEIPTS).contains(&limit) {
        let detail = format!("1 to {MAX_RECEIPTS}");
        return Err(refused(FieldError::new("/limit", "out-of-range", detail)));
    }
    let store = call.store();
    let stable_position = store.stable_position().await?;
    let progress = store.device_progress(device, number).await?;
    let mut kept = store
        .device_receipts(device, number, query.0.from.unwrap_or(1), limit.saturating_add(1))
        .await?;
    let wanted = usize::try_from(limit).unwrap_or(usize::MAX);
    let next = kept.get(wanted).map(|more| more.seq);
    kept.truncate(wanted);
    ok(&Receipts {
        items: kept.into_iter().map(receipt).collect(),
        next,
        received_to: progress.received_to,
        missing: progress.missing,
        stable_position,
    })
}

fn receipt(kept: Kept) -> Receipt {
    let outcome = match kept.outcome.as_str() {
        "recorded" => PushOutcome::Recorded,
        "refused" => PushOutcome::Refused,
        "dismissed" => PushOutcome::Dismissed,
        _ => PushOutcome::Held,
    };
    Receipt {
        device_seq: kept.seq,
        entry_id: own_id(kept.entry),
        outcome,
        held: kept.held.filter(|_| outcome == PushOutcome::Held).map(held),
        position: kept.position,
    }
}
