//! `POST /v1/devices/{id}/revocation`.

use super::view::DeviceView;
use super::{check_reason, device};
use crate::extract::{Authorized, Json, Path};
use crate::idempotency::Idempotent;
use crate::permission::{KeepDevices, Permission};
use crate::reply::{Answer, changed};
use actix_web::post;
use clampward_domain::ids::DeviceId;
use serde::Deserialize;
use utoipa::ToSchema;

/// The end of a device.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DeviceRevocation {
    /// Why: lost, stolen, broken, handed back.
    #[schema(min_length = 1, max_length = 500, examples("Left behind on the quay"))]
    reason: String,
}

/// Revoke a device
///
/// At once and for good: it gets no access token, those that it has open nothing any more, and every signing key on it ends.
/// What it recorded before stays as it is. Whoever answers for one of its yards may do it. Entries that are still on it can
/// be brought in as a file by a person. Revoking it again changes nothing.
#[utoipa::path(
    operation_id = "revoke_device",
    tag = "Devices",
    params(("id" = DeviceId, Path, description = "The device.")),
    request_body = DeviceRevocation,
    extensions(("x-permission" = json!(KeepDevices::NAME)), ("x-idempotent" = json!(true)), ("x-problems" = json!(["not-found"]))),
    responses((status = 200, description = "Revoked.", body = DeviceView, headers(("ETag" = String, description = "Over the bytes sent."))))
)]
#[post("/v1/devices/{id}/revocation")]
pub async fn revoke(
    call: Authorized<KeepDevices>,
    id: Path<DeviceId>,
    body: Json<DeviceRevocation>,
    once: Idempotent,
) -> Answer {
    once.run(call, async |call| end(call, id.0, &body.0.reason).await)
        .await
}

async fn end(call: &Authorized<KeepDevices>, id: DeviceId, reason: &str) -> Answer {
    device(call, id).await?;
    check_reason(reason)?;
    let device = call
        .store()
        .revoke_device(call.new_id()?, call.person(), id, reason)
        .await?;
    tracing::info!(event = "device_revoked", by = %call.person(), device = %id, "device revoked");
    changed(&DeviceView::seen(device, call.yards()))
}
