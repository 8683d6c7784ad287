//! Devices, and the keys by which people sign on them.

use clampward_domain::ids::{DeviceId, PersonId, YardId};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// Enrols a device with the code that a person was handed for it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct EnrolRequest {
    /// The one-time code.
    pub code: String,
    /// The device's public key: Ed25519, 32 bytes, base64url without padding.
    pub public_key: String,
    /// Signature of `clampward-enrolment-v1`, a line feed and the code, with that key: base64url without padding.
    pub possession: String,
}

/// A device that was enrolled.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Enrolled {
    /// The device; also its `client_id` at `/v1/oauth/token`.
    pub device_id: DeviceId,
    /// Its name.
    pub name: String,
    /// Its number.
    pub device_number: u32,
    /// Its yards.
    pub yards: Vec<YardId>,
    /// What the device's assertions name as their audience.
    pub audience: String,
}

/// Makes a key by which the person signed in signs entries on a device.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SigningKeyRequest {
    /// The person's public key: Ed25519, 32 bytes, base64url without padding.
    pub public_key: String,
    /// An assertion of the device, as for its own sign-in: only the device itself can have such a key made.
    pub device_assertion: String,
    /// Signature of `clampward-signing-key-v1`, a line feed, the device's id, a line feed and the person's id, with the new
    /// key: base64url without padding.
    pub possession: String,
}

/// A key by which a person signs on a device.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct SigningKey {
    /// Its id, named by every signature.
    pub id: Uuid,
    /// The device.
    pub device_id: DeviceId,
    /// The person.
    pub person_id: PersonId,
    /// Since when.
    pub created_at: Timestamp,
    /// Until when entries may be signed with it.
    pub expires_at: Timestamp,
    /// Since when it counts no more.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub revoked_at: Option<Timestamp>,
}
