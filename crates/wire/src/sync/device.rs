//! Devices, how they sign in, and the keys by which people sign on them.
//!
//! Every signature is Ed25519 (RFC 8032) and begins with a context of its own, so that none can be taken for another. What
//! is signed is put together here, for whoever signs and for whoever verifies; the signing itself is theirs.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use clampward_domain::ids::{DeviceId, PersonId, YardId};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The grant of a device's sign-in at `/v1/oauth/token` (RFC 6749 section 4.4).
pub const GRANT_TYPE: &str = "client_credentials";
/// How it proves itself there (RFC 7523 section 2.2).
pub const ASSERTION_TYPE: &str = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer";
/// How far ahead an assertion may end.
pub const ASSERTION_SECONDS: i64 = 5 * 60;
/// How far the clocks of a device and of the service may differ for it.
pub const ASSERTION_LEEWAY_SECONDS: i64 = 60;
/// The one header of an assertion, as JSON: EdDSA over Ed25519 (RFC 8037 section 3.1) and nothing beside.
pub const ASSERTION_HEADER: &str = r#"{"alg":"EdDSA","typ":"JWT"}"#;

/// What an assertion says (RFC 7523 section 3).
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct AssertionClaims {
    /// The device.
    pub iss: DeviceId,
    /// The device once more.
    pub sub: DeviceId,
    /// Whom it is for: [`Enrolled::audience`].
    pub aud: String,
    /// Second at which it ends, at most [`ASSERTION_SECONDS`] ahead.
    pub exp: i64,
    /// Second before which it is not valid.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub nbf: Option<i64>,
    /// When it was made.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub iat: Option<i64>,
    /// Its id: another one each time.
    pub jti: String,
}

impl AssertionClaims {
    /// The text that the device's key signs (RFC 7515 section 5.1).
    pub fn signing_input(&self) -> Result<String, serde_json::Error> {
        let payload = URL_SAFE_NO_PAD.encode(serde_json::to_vec(self)?);
        Ok(format!("{}.{payload}", URL_SAFE_NO_PAD.encode(ASSERTION_HEADER)))
    }
}

/// An assertion in its compact form (RFC 7515 section 7.1).
pub fn assertion(signing_input: &str, signature: &[u8; 64]) -> String {
    format!("{signing_input}.{}", URL_SAFE_NO_PAD.encode(signature))
}

/// What a device signs to show that it has the key it enrols.
pub fn enrolment_possession(code: &str) -> Vec<u8> {
    format!("clampward-enrolment-v1\n{code}").into_bytes()
}

/// What a person's new key signs to show that it is there.
pub fn signing_key_possession(device: DeviceId, person: PersonId) -> Vec<u8> {
    format!("clampward-signing-key-v1\n{device}\n{person}").into_bytes()
}

/// A public key as it is written: 32 bytes, base64url without padding.
pub fn write_public_key(key: &[u8; 32]) -> String {
    URL_SAFE_NO_PAD.encode(key)
}

/// Reads one; none if it is written in another way.
pub fn read_public_key(text: &str) -> Option<[u8; 32]> {
    URL_SAFE_NO_PAD.decode(text).ok()?.try_into().ok()
}

/// A signature as it is written: 64 bytes, base64url without padding.
pub fn write_signature(signature: &[u8; 64]) -> String {
    URL_SAFE_NO_PAD.encode(signature)
}

/// Reads one; none if it is written in another way.
pub fn read_signature(text: &str) -> Option<[u8; 64]> {
    URL_SAFE_NO_PAD.decode(text).ok()?.try_into().ok()
}

/// Enrols a device with the code that a person was handed for it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct EnrolRequest {
    /// The one-time code. Small letters and missing hyphens do not matter.
    #[schema(max_length = 64, examples("K7Q2M-9FHTX-3WVDA-8NPRC-5JZEG"))]
    pub code: String,
    /// The device's public key: Ed25519, 32 bytes, base64url without padding. A device makes a new one to enrol again.
    #[schema(
        min_length = 43,
        max_length = 43,
        examples("11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo")
    )]
    pub public_key: String,
    /// Signature of `clampward-enrolment-v1`, a line feed and the code as it is sent, with that key: base64url without
    /// padding.
    #[schema(
        min_length = 86,
        max_length = 86,
        examples("hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg")
    )]
    pub possession: String,
}

/// A device that was enrolled.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Enrolled {
    /// The device; also its `client_id` at `/v1/oauth/token`.
    pub device_id: DeviceId,
    /// Its name.
    #[schema(examples("Tablet 3, plate store"))]
    pub name: String,
    /// Its number.
    #[schema(minimum = 1, examples(1))]
    pub device_number: u32,
    /// Its yards.
    pub yards: Vec<YardId>,
    /// What the device's assertions name as their audience.
    #[schema(examples("https://clampward.example"))]
    pub audience: String,
}

/// Makes a key by which the person signed in signs entries on a device.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SigningKeyRequest {
    /// The person's public key: Ed25519, 32 bytes, base64url without padding. Each key is made anew.
    #[schema(
        min_length = 43,
        max_length = 43,
        examples("Gb9ECWmEzf6FQbrBZ9w7lshQhqowtrbLDFw4rXAxZuE")
    )]
    pub public_key: String,
    /// An assertion of the device, as for its own sign-in: only the device itself can have such a key made.
    #[schema(
        max_length = 4096,
        examples("eyJhbGciOiJFZERTQSIsInR5cCI6IkpXVCJ9.eyJzdWIiOiLigKYifQ.c2ln")
    )]
    pub device_assertion: String,
    /// Signature of `clampward-signing-key-v1`, a line feed, the device's id, a line feed and the person's id, with the new
    /// key: base64url without padding.
    #[schema(
        min_length = 86,
        max_length = 86,
        examples("hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg")
    )]
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

#[cfg(test)]
mod tests {
    //! How keys, signatures and assertions are written.

    use super::*;

    // Source: RFC 8037 appendix A.2 (public key) and A.4 (signature).
    const KEY: &str = "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo";
    const SIGNATURE: &str =
        "hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg";

    #[test]
    fn keys_and_signatures_have_one_form() {
        let key = read_public_key(KEY).unwrap();
        assert_eq!(write_public_key(&key), KEY);
        let signature = read_signature(SIGNATURE).unwrap();
        assert_eq!(write_signature(&signature), SIGNATURE);
        for other in [
            "",
            &KEY[1..],
            &format!("{KEY}="),
            &KEY.replace('_', "/"),
            &format!("{}p", &KEY[..42]),
            SIGNATURE,
        ] {
            assert_eq!(read_public_key(other), None, "{other}");
        }
        assert_eq!(read_signature(KEY), None);
    }

    #[test]
    fn an_assertion_is_three_parts_of_which_the_first_two_are_signed() {
        let device = DeviceId::new(Uuid::from_u128(7));
        let claims = AssertionClaims {
            iss: device,
            sub: device,
            aud: "https://clampward.example".to_owned(),
            exp: 1_767_225_600,
            nbf: None,
            iat: None,
            jti: "1".to_owned(),
        };
        let input = claims.signing_input().unwrap();
        let parts: Vec<Vec<u8>> = input
            .split('.')
            .map(|part| URL_SAFE_NO_PAD.decode(part).unwrap())
            .collect();
        assert_eq!(parts[0], ASSERTION_HEADER.as_bytes());
        assert_eq!(
            serde_json::from_slice::<AssertionClaims>(&parts[1]).unwrap(),
            claims
        );
        let whole = assertion(&input, &read_signature(SIGNATURE).unwrap());
        assert_eq!(whole, format!("{input}.{SIGNATURE}"));
    }
}
