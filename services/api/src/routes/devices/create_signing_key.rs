//! `POST /v1/devices/{id}/signing-keys`.

use super::device;
use super::enrol::checked;
use super::view::signing_key;
use crate::extract::{Authorized, Json, Path};
use crate::idempotency::Idempotent;
use crate::limits::SIGNING_KEY;
use crate::permission::{Permission, SignOnDevices};
use crate::reply::{Answer, Failure, created};
use crate::sign_in::Assertion;
use actix_web::post;
use clampward_domain::ids::DeviceId;
use clampward_store::people::{NewSigningKey, PeopleError};
use clampward_wire::problem::{FieldError, Problem};
use clampward_wire::sync::device::{SigningKey, SigningKeyRequest, signing_key_possession};
use jiff::{SignedDuration, Timestamp};

/// Make one's signing key on a device
///
/// By the person themselves, signed in on the device with their password: the device makes the key, keeps its secret half
/// under the person's short code, and proves by an assertion that it is the device. What the person writes on it from then on
/// and signs with the key is their word, also without a network, for 30 days. A newer key of the same person on the same
/// device ends the one before; what was signed before stays signed.
#[utoipa::path(
    operation_id = "create_signing_key",
    tag = "Devices",
    params(("id" = DeviceId, Path, description = "The device.")),
    request_body = SigningKeyRequest,
    extensions(("x-permission" = json!(SignOnDevices::NAME)), ("x-idempotent" = json!(true)),
        ("x-problems" = json!(["not-found", "device-revoked", "key-in-use"]))),
    responses((status = 201, description = "Made.", body = SigningKey, headers(
        ("Location" = String, description = "Where the device's signing keys are."), ("ETag" = String, description = "Over the bytes sent."))))
)]
#[post("/v1/devices/{id}/signing-keys")]
pub async fn create_signing_key(
    call: Authorized<SignOnDevices>,
    id: Path<DeviceId>,
    body: Json<SigningKeyRequest>,
    once: Idempotent,
) -> Answer {
    let audience = call.audience().to_owned();
    once.run(call, async |call| record(call, id.0, &audience, body.0).await)
        .await
}

async fn record(
    call: &Authorized<SignOnDevices>,
    id: DeviceId,
    audience: &str,
    request: SigningKeyRequest,
) -> Answer {
    let device = device(call, id).await?;
    if device.revoked.is_some() {
        return Err(PeopleError::DeviceRevoked.into());
    }
    prove(call, id, audience, &request.device_assertion).await?;
    let message = signing_key_possession(id, call.person());
    let public_key = checked(&request.public_key, &request.possession, &message)?;
    let life = SignedDuration::try_from(SIGNING_KEY.duration()).unwrap_or(SignedDuration::ZERO);
    let ends = call.now().checked_add(life).unwrap_or(Timestamp::MAX);
    let new = NewSigningKey {
        row_id: call.new_id()?,
        id: call.new_id()?,
        device: id,
        person: call.person(),
        public_key,
        // To the second: the ledger and the table say the same in the same letters.
        expires_at: Timestamp::from_second(ends.as_second()).unwrap_or(ends),
    };
    let record = call.store().create_signing_key(&new).await?;
    tracing::info!(event = "signing_key_created", person = %call.person(), device = %id, "signing key made");
    created(&format!("/v1/devices/{id}/signing-keys"), &signing_key(&record))
}

/// Whether the device itself takes part.
async fn prove(
    call: &Authorized<SignOnDevices>,
    id: DeviceId,
    audience: &str,
    text: &str,
) -> Result<(), Failure> {
    let refused = |detail: String| {
        let fault = FieldError::new("/device_assertion", "assertion-refused", detail);
        Failure::from(Problem::input(vec![fault]))
    };
    let assertion = Assertion::read(text).map_err(|error| refused(error.to_string()))?;
    if assertion.device() != id {
        return Err(refused("it is of another device".to_owned()));
    }
    let known = call
        .store()
        .device_credentials(id)
        .await?
        .ok_or_else(|| refused("the device may not sign in any more".to_owned()))?;
    assertion
        .check(&known.public_key, audience, call.now())
        .map_err(|error| refused(error.to_string()))
}
