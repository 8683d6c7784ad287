//! `POST /v1/held-entries/{id}/placements`.

use super::{failure, settler};
use crate::extract::{Authorized, Json, Path};
use crate::idempotency::Idempotent;
use crate::permission::{KeepHeldEntries, Permission};
use crate::reply::{Answer, created};
use crate::routes::clamps::record::reply;
use crate::routes::sync::again;
use actix_web::post;
use clampward_domain::ids::{ClampId, EntryId};
use clampward_wire::entry::EntryReply;
use serde::Deserialize;
use utoipa::ToSchema;

/// Where a held entry belongs.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Placement {
    /// The clamp that it is about.
    clamp_id: ClampId,
}

/// Place a held entry
///
/// Records what the device sent, as it came and under the entry's own id, of this clamp. Placed by hand it restricts and
/// counts for nothing else: it is not credited and releases nothing. A lock-out `held` that was opened meanwhile still needs a
/// return to service that names it.
#[utoipa::path(
    operation_id = "place_held_entry",
    tag = "Held entries",
    params(("id" = EntryId, Path, description = "The held entry.")),
    request_body = Placement,
    extensions(("x-permission" = json!(KeepHeldEntries::NAME)), ("x-idempotent" = json!(true)),
        ("x-problems" = json!(["not-found", "id-reused", "held-entry-settled", "not-an-entry"]))),
    responses((status = 201, description = "Recorded.", body = EntryReply, headers(
        ("Location" = String, description = "The clamp's history."), ("ETag" = String, description = "Over the bytes sent."))))
)]
#[post("/v1/held-entries/{id}/placements")]
pub async fn place(
    call: Authorized<KeepHeldEntries>,
    id: Path<EntryId>,
    body: Json<Placement>,
    once: Idempotent,
) -> Answer {
    once.run(call, async |call| record(call, id.0, body.0.clamp_id).await)
        .await
}

async fn record(call: &Authorized<KeepHeldEntries>, id: EntryId, clamp: ClampId) -> Answer {
    let settler = settler(call)?;
    let recorded = call
        .store()
        .place_held_entry(id, clamp, &settler, &again)
        .await
        .map_err(failure)?;
    tracing::info!(event = "held_entry_placed", by = %call.person(), held = %id, %clamp, "a held entry was placed");
    created(&format!("/v1/clamps/{clamp}/entries"), &reply(recorded))
}
