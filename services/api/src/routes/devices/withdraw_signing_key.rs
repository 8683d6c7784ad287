//! `POST /v1/devices/{id}/signing-keys/{key}/revocation`.

use super::view::signing_key;
use super::{check_reason, device};
use crate::extract::{Authorized, Json, Path};
use crate::idempotency::Idempotent;
use crate::permission::{KeepDevices, Permission, SignOnDevices};
use crate::reply::{Answer, Failure, changed};
use actix_web::post;
use clampward_domain::ids::DeviceId;
use clampward_store::people::PeopleError;
use clampward_wire::problem;
use clampward_wire::sync::device::SigningKey;
use serde::Deserialize;
use utoipa::ToSchema;
use uuid::Uuid;

/// The end of a signing key.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SigningKeyRevocation {
    /// Why.
    #[schema(min_length = 1, max_length = 500, examples("Short code was seen"))]
    reason: String,
}

/// Revoke a signing key
///
/// One's own, or anybody's on a device of one's yards for whoever keeps devices. What comes in from now on and is signed with
/// it is nobody's word, whatever time it tells: whoever has the key by now writes any time they like. It restricts all the
/// same, and is done or signed anew. What was recorded before stays signed. Revoking it again changes nothing.
#[utoipa::path(
    operation_id = "revoke_signing_key",
    tag = "Devices",
    params(("id" = DeviceId, Path, description = "The device."), ("key" = Uuid, Path, description = "The signing key.")),
    request_body = SigningKeyRevocation,
    extensions(("x-permission" = json!(SignOnDevices::NAME)), ("x-idempotent" = json!(true)), ("x-problems" = json!(["not-found"]))),
    responses((status = 200, description = "Revoked.", body = SigningKey, headers(("ETag" = String, description = "Over the bytes sent."))))
)]
#[post("/v1/devices/{id}/signing-keys/{key}/revocation")]
pub async fn revoke_signing_key(
    call: Authorized<SignOnDevices>,
    path: Path<(DeviceId, Uuid)>,
    body: Json<SigningKeyRevocation>,
    once: Idempotent,
) -> Answer {
    let (id, key) = path.0;
    once.run(call, async |call| end(call, id, key, &body.0.reason).await)
        .await
}

async fn end(call: &Authorized<SignOnDevices>, id: DeviceId, key: Uuid, reason: &str) -> Answer {
    let not_there = || Failure::not_found("signing key");
    let known = call.store().signing_keys(&[key]).await?;
    let known = known
        .get(&key)
        .filter(|known| known.device_id == id)
        .ok_or_else(not_there)?;
    // One's own ends wherever the device is by now.
    if known.person_id != call.person() {
        device(call, id).await.map_err(|_| not_there())?;
        let keeps = |role| KeepDevices::ROLES.contains(role);
        if !call.caller().roles.iter().any(keeps) {
            let detail = "Another's key is withdrawn by somebody who keeps devices.";
            return Err(Failure::new(problem::NOT_ALLOWED, detail));
        }
    }
    check_reason(reason)?;
    let record = call
        .store()
        .withdraw_signing_key(call.person(), id, key, Some(reason))
        .await
        .map_err(|error| match error {
            PeopleError::NotFound => not_there(),
            other => other.into(),
        })?;
    tracing::info!(event = "signing_key_revoked", by = %call.person(), device = %id, "signing key revoked");
    changed(&signing_key(&record))
}
