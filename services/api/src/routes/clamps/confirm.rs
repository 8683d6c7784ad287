//! `POST /v1/clamps/{clamp_id}/returns-to-service/{entry_id}/confirmation` and its twin for amendments.

use super::record::record;
use crate::extract::{Authorized, Json, Path};
use crate::permission::{Permission, ReturnToService};
use crate::reply::Answer;
use actix_web::post;
use clampward_domain::entry::Confirmed;
use clampward_domain::ids::{ClampId, EntryId};
use clampward_wire::entry::{EntryReply, EntryRequest};
use serde::Deserialize;
use utoipa::ToSchema;

/// A second person's confirmation: only its own id and time.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ConfirmationRequest {
    /// The entry's id, chosen by the caller; its idempotency key for ever.
    entry_id: EntryId,
    /// When it was confirmed.
    performed_at: jiff::Timestamp,
}

impl ConfirmationRequest {
    fn of(self, confirms: EntryId) -> EntryRequest<Confirmed> {
        EntryRequest {
            entry_id: self.entry_id,
            performed_at: self.performed_at,
            body: Confirmed { confirms },
        }
    }
}

/// Confirm another's return to service
///
/// By a second person themselves, where a ground needs two.
#[utoipa::path(
    tag = "Clamps",
    params(
        ("clamp_id" = ClampId, Path, description = "The clamp."),
        ("entry_id" = EntryId, Path, description = "The return to service.")
    ),
    request_body = ConfirmationRequest,
    extensions(
        ("x-permission" = json!(ReturnToService::NAME)),
        ("x-problems" = json!(["not-found", "id-reused", "state-conflict"]))
    ),
    responses(
        (status = 201, description = "Recorded.", body = EntryReply),
        (status = 200, description = "Recorded before with the same content; the first outcome.", body = EntryReply),
    )
)]
#[post("/v1/clamps/{clamp_id}/returns-to-service/{entry_id}/confirmation")]
pub async fn confirm_return(
    call: Authorized<ReturnToService>,
    path: Path<(ClampId, EntryId)>,
    body: Json<ConfirmationRequest>,
) -> Answer {
    let (clamp_id, confirms) = path.0;
    record(&call, clamp_id, body.0.of(confirms)).await
}

/// Confirm another's amendment
///
/// By a second person themselves: undoing a retirement needs two.
#[utoipa::path(
    tag = "Clamps",
    params(
        ("clamp_id" = ClampId, Path, description = "The clamp."),
        ("entry_id" = EntryId, Path, description = "The amendment.")
    ),
    request_body = ConfirmationRequest,
    extensions(
        ("x-permission" = json!(ReturnToService::NAME)),
        ("x-problems" = json!(["not-found", "id-reused", "state-conflict"]))
    ),
    responses(
        (status = 201, description = "Recorded.", body = EntryReply),
        (status = 200, description = "Recorded before with the same content; the first outcome.", body = EntryReply),
    )
)]
#[post("/v1/clamps/{clamp_id}/amendments/{entry_id}/confirmation")]
pub async fn confirm_amendment(
    call: Authorized<ReturnToService>,
    path: Path<(ClampId, EntryId)>,
    body: Json<ConfirmationRequest>,
) -> Answer {
    let (clamp_id, confirms) = path.0;
    record(&call, clamp_id, body.0.of(confirms)).await
}
