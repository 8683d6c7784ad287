//! `GET /v1/sync/config`.

use super::view;
use crate::extract::Authorized;
use crate::limits;
use crate::permission::{Permission, Pull};
use crate::reply::{Answer, ok};
use actix_web::get;
use clampward_store::feed::RETENTION_DAYS;
use clampward_wire::sync::pull::{MAX_PHOTO_BYTES, MAX_PHOTO_PIECE_BYTES, STATE_FORMAT, SyncConfig};
use clampward_wire::sync::push::{MAX_BYTES, MAX_ENTRIES, MAX_ENTRY_BYTES};

/// The oldest field client that is served: before it, there was none.
const OLDEST_CLIENT: &str = "0.1.0";

/// See what synchronisation allows
///
/// Limits, the service's clock, for how long cursors are good, the oldest field client that is still served, and your
/// yards: one that is new to a device has no cursor yet.
#[utoipa::path(
    operation_id = "sync_config",
    tag = "Synchronisation",
    extensions(("x-permission" = json!(Pull::NAME))),
    responses((status = 200, description = "What holds now.", body = SyncConfig))
)]
#[get("/v1/sync/config")]
pub async fn config(call: Authorized<Pull>) -> Answer {
    let number = |count: usize| u64::try_from(count).unwrap_or(u64::MAX);
    ok(&SyncConfig {
        server_time: call.now(),
        entries_per_push: number(MAX_ENTRIES),
        push_bytes: number(MAX_BYTES),
        entry_bytes: number(MAX_ENTRY_BYTES),
        rows_per_page: limits::PULL_ROWS.value,
        wait_seconds: limits::PULL_WAIT.value,
        cursor_days: RETENTION_DAYS.unsigned_abs(),
        photo_bytes: MAX_PHOTO_BYTES,
        photo_piece_bytes: MAX_PHOTO_PIECE_BYTES,
        oldest_client: OLDEST_CLIENT.to_owned(),
        state_format: STATE_FORMAT,
        yards: view::granted(&call).await?,
    })
}
