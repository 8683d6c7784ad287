//! `GET /v1/held-entries/{id}`.

use super::view::HeldEntryRaw;
use crate::extract::{Authorized, Path};
use crate::permission::{KeepHeldEntries, Permission};
use crate::reply::{Answer, Failure, resource};
use actix_web::{HttpRequest, get};
use clampward_domain::ids::EntryId;

/// A held entry
///
/// With what the device sent, as it came.
#[utoipa::path(
    operation_id = "read_held_entry",
    tag = "Held entries",
    params(("id" = EntryId, Path, description = "The held entry.")),
    extensions(("x-permission" = json!(KeepHeldEntries::NAME)), ("x-problems" = json!(["not-found"]))),
    responses((status = 200, description = "The held entry.", body = HeldEntryRaw, headers(("ETag" = String, description = "Over the bytes sent."))))
)]
#[get("/v1/held-entries/{id}")]
pub async fn read(call: Authorized<KeepHeldEntries>, id: Path<EntryId>, request: HttpRequest) -> Answer {
    let held = call.store().held_entry(call.yards(), id.0).await?;
    let held = held.ok_or_else(|| Failure::not_found("held entry"))?;
    resource(&request, &HeldEntryRaw::from(held))
}
