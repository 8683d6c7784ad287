//! Devices as tests have them: enrolled with keys of their own, signing in, and with people who sign on them.

use super::{ISSUER, Reply, TestApp};
use aws_lc_rs::signature::{Ed25519KeyPair, KeyPair as _};
use clampward_domain::entry::{Signature, ToBeSigned};
use clampward_domain::ids::{DeviceId, PersonId};
use clampward_wire::sync::device::{
    ASSERTION_TYPE, AssertionClaims, assertion, enrolment_possession, signing_key_possession,
    write_public_key, write_signature,
};
use serde_json::{Value, json};
use uuid::Uuid;

/// A pair of keys.
pub struct Keys(Ed25519KeyPair);

impl Keys {
    /// The pair of a seed: the same seed gives the same pair.
    pub fn of(seed: u64) -> Self {
        let mut secret = [0x5a; 32];
        secret[..8].copy_from_slice(&seed.to_be_bytes());
        Self(Ed25519KeyPair::from_seed_unchecked(&secret).expect("a pair of keys"))
    }
    /// A pair that no other test has.
    pub fn fresh() -> Self {
        Self(Ed25519KeyPair::generate().expect("a pair of keys"))
    }
    /// The public half, as it is sent.
    pub fn public(&self) -> String {
        write_public_key(&self.0.public_key().as_ref().try_into().expect("32 bytes"))
    }
    /// A signature, as it is sent.
    pub fn sign(&self, message: &[u8]) -> String {
        write_signature(&self.raw(message))
    }
    fn raw(&self, message: &[u8]) -> [u8; 64] {
        self.0.sign(message).as_ref().try_into().expect("64 bytes")
    }
    /// The body that redeems a code with these keys.
    pub fn enrolling(&self, code: &str) -> Value {
        json!({"code": code, "public_key": self.public(), "possession": self.sign(&enrolment_possession(code))})
    }
}

/// An enrolled device.
pub struct Device {
    pub id: String,
    pub keys: Keys,
}

impl Device {
    /// An assertion that is valid now.
    pub fn assertion(&self, now: jiff::Timestamp) -> String {
        self.asserting(now, json!({}))
    }
    /// The same with other claims; null takes one away.
    pub fn asserting(&self, now: jiff::Timestamp, changes: Value) -> String {
        let id = self.device_id();
        let claims = AssertionClaims {
            iss: id,
            sub: id,
            aud: ISSUER.to_owned(),
            exp: now.as_second() + 300,
            nbf: None,
            iat: Some(now.as_second()),
            jti: now.to_string(),
        };
        let input = claims.signing_input().expect("JSON");
        if changes.as_object().is_none_or(|changes| changes.is_empty()) {
            return assertion(&input, &self.keys.raw(input.as_bytes()));
        }
        let claims = crate::trade::with(serde_json::to_value(claims).expect("JSON"), &changes);
        let header = input.split('.').next().expect("a header");
        self.signed(header, &claims.to_string())
    }
    /// A JWT of a header, written already, and a payload.
    pub fn signed(&self, header: &str, payload: &str) -> String {
        use base64::Engine;
        let payload = base64::engine::general_purpose::URL_SAFE_NO_PAD.encode(payload);
        let input = format!("{header}.{payload}");
        assertion(&input, &self.keys.raw(input.as_bytes()))
    }
    pub fn device_id(&self) -> DeviceId {
        self.id.parse().expect("a device's id")
    }
}

/// A key by which a person signs on a device.
pub struct PersonsKey {
    pub id: Uuid,
    pub keys: Keys,
}

impl PersonsKey {
    /// The person's signature of an entry.
    pub fn sign(&self, entry: &ToBeSigned<'_>) -> Signature {
        Signature {
            key_id: self.id,
            value: self.keys.sign(&entry.bytes().expect("canonical bytes")),
        }
    }
}

impl TestApp {
    /// An enrolment code that whoever has this token makes.
    pub async fn enrolment(&self, token: &str, yards: &[&str]) -> Reply {
        let new = json!({"name": "Tablet 3, plate store", "yards": yards});
        self.post(token, "/v1/device-enrolments", &new)
            .await
            .succeeded(201)
    }
    /// Redeems a code.
    pub async fn redeem(&self, code: &str, keys: &Keys) -> Reply {
        let call = self.call("POST", "/v1/devices").json(&keys.enrolling(code));
        call.send().await
    }
    /// A device of these yards, enrolled by whoever has this token.
    pub async fn device(&self, token: &str, yards: &[&str]) -> Device {
        let code = self.enrolment(token, yards).await.text("/code");
        let keys = Keys::fresh();
        let enrolled = self.redeem(&code, &keys).await.succeeded(201);
        Device {
            id: enrolled.text("/device_id"),
            keys,
        }
    }
    /// Asks for an access token with an assertion.
    pub async fn assert(&self, assertion: &str) -> Reply {
        let form = format!(
            "grant_type=client_credentials&client_assertion_type={ASSERTION_TYPE}&client_assertion={assertion}"
        );
        self.call("POST", "/v1/oauth/token")
            .raw(form.into_bytes())
            .header("Content-Type", "application/x-www-form-urlencoded")
            .send()
            .await
    }
    /// A device's access token.
    pub async fn device_token(&self, device: &Device) -> String {
        let now = clampward_store::Clock::now(&*self.clock);
        self.assert(&device.assertion(now))
            .await
            .succeeded(200)
            .text("/access_token")
    }
    /// The body that makes a key for a person on a device.
    pub fn signing_key_request(&self, device: &Device, person: &str, keys: &Keys) -> Value {
        let person: PersonId = person.parse().expect("a person's id");
        let now = clampward_store::Clock::now(&*self.clock);
        json!({
            "public_key": keys.public(), "device_assertion": device.assertion(now),
            "possession": keys.sign(&signing_key_possession(device.device_id(), person)),
        })
    }
    /// A key by which whoever has this token signs on a device.
    pub async fn signing_key(&self, device: &Device, token: &str, person: &str) -> PersonsKey {
        let keys = Keys::fresh();
        let path = format!("/v1/devices/{}/signing-keys", device.id);
        let made = self
            .post(token, &path, &self.signing_key_request(device, person, &keys))
            .await
            .succeeded(201);
        PersonsKey {
            id: made.text("/id").parse().expect("a key's id"),
            keys,
        }
    }
}
