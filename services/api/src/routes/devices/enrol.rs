//! `POST /v1/devices`.

use crate::extract::{Json, Public};
use crate::limits::DEVICE_KEY;
use crate::openapi::PUBLIC;
use crate::permission::{KeepDevices, Permission};
use crate::random;
use crate::reply::{Answer, Failure, created};
use crate::routes::device_enrolments::Code;
use crate::sign_in::ed25519;
use actix_web::post;
use clampward_domain::ids::DeviceId;
use clampward_store::people::{AccountKey, Attempt, NewDevice, PeopleError};
use clampward_wire::problem::{self, FieldError, Problem};
use clampward_wire::sync::device::{
    EnrolRequest, Enrolled, enrolment_possession, read_public_key, read_signature,
};
use jiff::{SignedDuration, Timestamp};

/// Enrol a device
///
/// With the code that a person made for it, and a key that the device makes itself and never sends: the answer says who it
/// is from now on. Sent again with the same code and key it gets the same answer for as long as the code lives; with another
/// key the code opens nothing. The device signs in at `POST /v1/oauth/token` with an assertion of its key.
#[utoipa::path(
    operation_id = "enrol_device",
    tag = "Devices",
    request_body = EnrolRequest,
    extensions(("x-permission" = json!(PUBLIC)), ("x-problems" = json!(["enrolment-code-invalid", "key-in-use", "too-many-requests"]))),
    responses((status = 201, description = "Enrolled.", body = Enrolled, headers(
        ("Location" = String, description = "Where the device is."), ("ETag" = String, description = "Over the bytes sent."))))
)]
#[post("/v1/devices")]
pub async fn enrol(call: Public, body: Json<EnrolRequest>) -> Answer {
    let EnrolRequest {
        code: written,
        public_key,
        possession,
    } = body.0;
    let public_key = checked(&public_key, &possession, &enrolment_possession(&written))?;
    let code = Code::read(&written).ok_or_else(refused)?;
    let attempts = AccountKey::of_enrolment(code.name());
    // A name that nobody was given opens nothing whatever follows it, and is not counted: names that are made up would take
    // the place of those who are slowed down.
    if !call.store().is_enrolment_live(&attempts).await? {
        tracing::info!(event = "enrolment_refused", account = %attempts, "enrolment refused");
        return Err(refused());
    }
    // Counted before the code is looked at and forgotten when it was right, as a password is.
    let counted = call.store().count_attempt(&attempts).await?;
    if let Attempt::TooSoon(left) = counted {
        tracing::info!(event = "enrolment_slowed", account = %attempts, seconds = left.as_secs(), "enrolment slowed down");
        let detail = "Too many attempts at this code without success: wait for the time in Retry-After.";
        return Err(Failure::new(problem::TOO_MANY_REQUESTS, detail).retry_after(left));
    }
    let now = call.store().now();
    let life = SignedDuration::try_from(DEVICE_KEY.duration()).unwrap_or(SignedDuration::ZERO);
    let new = NewDevice {
        row_id: random::id(now)?,
        id: DeviceId::new(random::id(now)?),
        session: random::id(now)?,
        session_ends: now.checked_add(life).unwrap_or(Timestamp::MAX),
        digest: code.digest(),
        public_key,
        attempts,
        keepers: KeepDevices::ROLES,
    };
    let device = call.store().redeem_enrolment(&new).await.map_err(|error| {
        if matches!(error, PeopleError::CodeRefused) {
            tracing::info!(event = "enrolment_refused", account = %attempts, "enrolment refused");
        }
        Failure::from(error)
    })?;
    tracing::info!(event = "device_enrolled", device = %device.id, by = %device.enrolled_by, "device enrolled");
    let answer = Enrolled {
        device_id: device.id,
        device_number: device.number,
        yards: device.yards().to_vec(),
        name: device.account.body.name,
        audience: call.tokens().issuer().to_owned(),
    };
    created(&format!("/v1/devices/{}", device.id), &answer)
}

fn refused() -> Failure {
    PeopleError::CodeRefused.into()
}

/// A new public key whose holder signed what shows that they have it.
pub(super) fn checked(public_key: &str, possession: &str, message: &[u8]) -> Result<[u8; 32], Failure> {
    let fault = |pointer, code, detail: &str| FieldError::new(pointer, code, detail);
    let key = read_public_key(public_key).filter(|key| !ed25519::is_nobodys(key));
    let signature = read_signature(possession);
    let mut errors = Vec::new();
    if key.is_none() {
        let detail = "write an Ed25519 public key: 32 bytes as base64url without padding";
        errors.push(fault("/public_key", "invalid-key", detail));
    }
    if signature.is_none() {
        let detail = "write an Ed25519 signature: 64 bytes as base64url without padding";
        errors.push(fault("/possession", "invalid-signature", detail));
    }
    if let (Some(key), Some(signature)) = (key, signature) {
        if ed25519::fits(&key, message, &signature) {
            return Ok(key);
        }
        let detail = "the key did not sign this: sign the text that the field's description names";
        errors.push(fault("/possession", "wrong-signature", detail));
    }
    Err(Problem::input(errors).into())
}
