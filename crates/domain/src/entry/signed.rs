//! What a person signs on a device: the content of an entry and the device it was written on, nothing of the transport.

use crate::canonical::{self, CanonicalError};
use crate::ids::{ClampId, DeviceId, EntryId, PersonId};
use crate::words::EntryKind;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// Says what is signed, so that no other signature of the same key can be taken for one of an entry.
const CONTEXT: &[u8] = b"clampward-entry-v1\n";

/// A person's signature of an entry.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Signature {
    /// The key, as it was named when it was made for this person on this device.
    pub key_id: Uuid,
    /// Ed25519 over the bytes of [`ToBeSigned`]: 64 bytes, base64url without padding.
    pub value: String,
}

/// An entry as its author signs it. Exactly one of `clamp_id` and `mark` is there, as the author named the clamp.
#[derive(Clone, Debug, Serialize)]
pub struct ToBeSigned<'a, B = serde_json::Value> {
    /// The entry.
    pub id: EntryId,
    /// The device.
    pub device_id: DeviceId,
    /// The clamp, where it was named by its id.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub clamp_id: Option<ClampId>,
    /// The clamp, where it was named by its mark.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mark: Option<&'a str>,
    /// The kind.
    pub kind: EntryKind,
    /// When it happened, as told.
    pub performed_at: Timestamp,
    /// Who did it: whoever signs.
    pub performed_by: PersonId,
    /// The body as [`super::Body::alone`] writes it.
    pub body: &'a B,
}

impl<B: Serialize> ToBeSigned<'_, B> {
    /// The bytes that are signed: `clampward-entry-v1`, a line feed, and this in canonical form (RFC 8785).
    pub fn bytes(&self) -> Result<Vec<u8>, CanonicalError> {
        let mut bytes = CONTEXT.to_vec();
        bytes.extend(canonical::to_bytes(self)?);
        Ok(bytes)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_order_of_the_fields_does_not_matter_and_the_context_comes_first() {
        let id = Uuid::from_u128(7);
        let one = serde_json::json!({"reason": "dropped", "note": "from the rack"});
        let other = serde_json::json!({"note": "from the rack", "reason": "dropped"});
        let bytes = |body: &serde_json::Value| {
            ToBeSigned {
                id: EntryId::new(id),
                device_id: DeviceId::new(id),
                clamp_id: Some(ClampId::new(id)),
                mark: None,
                kind: EntryKind::TaggedOut,
                performed_at: "2026-03-01T11:00:00+01:00".parse().unwrap(),
                performed_by: PersonId::new(id),
                body,
            }
            .bytes()
            .unwrap()
        };
        let text = String::from_utf8(bytes(&one)).unwrap();
        assert_eq!(bytes(&one), bytes(&other));
        assert!(text.starts_with("clampward-entry-v1\n{\"body\":"), "{text}");
        assert!(
            text.contains("\"performed_at\":\"2026-03-01T10:00:00Z\""),
            "{text}"
        );
    }
}
