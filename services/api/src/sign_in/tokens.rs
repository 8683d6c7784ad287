//! Access tokens: JWS in compact form, EdDSA and nothing else (RFC 8725, RFC 9068).
//!
//! The header must be exactly ours; no key is ever taken from a token. What was verified once is remembered until it
//! expires, because a verification costs more than a question to the database.

use super::keys::{SigningKey, encoded};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use clampward_domain::ids::PersonId;
use ed25519_dalek::Signature;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::collections::HashMap;
use std::sync::Mutex;
use uuid::Uuid;

/// Lifetime of an access token.
pub const ACCESS_TOKEN_SECONDS: i64 = 15 * 60;
/// How far clocks of two machines may differ.
const LEEWAY_SECONDS: i64 = 60;
/// Longest token that is looked at.
const MAX_TOKEN_BYTES: usize = 4096;
/// Most verified tokens that are remembered.
const MAX_REMEMBERED: usize = 10_000;
/// Whom the tokens are for.
pub const AUDIENCE: &str = "clampward";
/// Type of an access token (RFC 9068 section 2.1).
const TYPE: &str = "at+jwt";
/// The one algorithm (RFC 8037 section 3.1).
const ALGORITHM: &str = "EdDSA";

/// The header, with nothing beside these members: an unknown `crit`, a `jwk` or a `jku` does not even parse.
#[derive(Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Header {
    alg: String,
    typ: String,
    kid: String,
}

/// The claims on the wire.
#[derive(Debug, Serialize, Deserialize)]
struct Payload {
    iss: String,
    aud: String,
    sub: Uuid,
    iat: i64,
    nbf: i64,
    exp: i64,
    jti: Uuid,
    grants_version: u64,
}

/// What a token says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Claims {
    /// The person.
    pub person: PersonId,
    /// Version of their grants when the token was made.
    pub grants_version: u64,
    /// The token's id.
    pub id: Uuid,
    /// Second from which it is no longer valid.
    pub expires: i64,
}

/// Why a token was refused; for the log, never for the caller.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// Not three parts of base64url and JSON, or too long.
    #[error("malformed")]
    Malformed,
    /// Another algorithm, type, key or an extension in the header.
    #[error("foreign header")]
    Header,
    /// The signature does not verify.
    #[error("wrong signature")]
    Signature,
    /// Another issuer or audience.
    #[error("foreign issuer or audience")]
    Party,
    /// Expired.
    #[error("expired")]
    Expired,
    /// Not yet valid.
    #[error("not yet valid")]
    NotYet,
}

/// Makes and verifies access tokens.
pub struct Tokens {
    key: SigningKey,
    issuer: String,
    header: String,
    remembered: Mutex<HashMap<[u8; 32], Claims>>,
}

impl Tokens {
    /// Tokens of an issuer, signed with a key.
    pub fn new(key: SigningKey, issuer: impl Into<String>) -> Self {
        let header = serde_json::json!({ "alg": ALGORITHM, "typ": TYPE, "kid": key.name() }).to_string();
        let header = URL_SAFE_NO_PAD.encode(header);
        Self {
            key,
            issuer: issuer.into(),
            header,
            remembered: Mutex::new(HashMap::new()),
        }
    }
    /// A token for a person.
    pub fn issue(&self, person: PersonId, grants_version: u64, id: Uuid, now: Timestamp) -> String {
        let now = now.as_second();
        let payload = serde_json::json!({
            "iss": self.issuer, "aud": AUDIENCE, "sub": person, "iat": now, "nbf": now,
            "exp": now.saturating_add(ACCESS_TOKEN_SECONDS), "jti": id, "grants_version": grants_version,
        });
        let input = format!("{}.{}", self.header, URL_SAFE_NO_PAD.encode(payload.to_string()));
        let signature = URL_SAFE_NO_PAD.encode(self.key.sign(input.as_bytes()));
        format!("{input}.{signature}")
    }
    /// What a valid token says.
    pub fn verify(&self, token: &str, now: Timestamp) -> Result<Claims, Refusal> {
        if token.len() > MAX_TOKEN_BYTES {
            return Err(Refusal::Malformed);
        }
        let now = now.as_second();
        let digest: [u8; 32] = Sha256::digest(token.as_bytes()).into();
        if let Some(claims) = self.recall(&digest) {
            return if now < claims.expires {
                Ok(claims)
            } else {
                Err(Refusal::Expired)
            };
        }
        let claims = self.check(token, now)?;
        self.remember(digest, claims, now);
        Ok(claims)
    }

    fn check(&self, token: &str, now: i64) -> Result<Claims, Refusal> {
        let (input, signature) = token.rsplit_once('.').ok_or(Refusal::Malformed)?;
        let (header, payload) = input.split_once('.').ok_or(Refusal::Malformed)?;
        let decode = |part: &str| URL_SAFE_NO_PAD.decode(part).map_err(|_| Refusal::Malformed);
        let header: Header = serde_json::from_slice(&decode(header)?).map_err(|_| Refusal::Header)?;
        if header.alg != ALGORITHM || header.typ != TYPE || header.kid != self.key.name() {
            return Err(Refusal::Header);
        }
        let signature = Signature::from_slice(&decode(signature)?).map_err(|_| Refusal::Signature)?;
        self.key
            .public()
            .verify_strict(input.as_bytes(), &signature)
            .map_err(|_| Refusal::Signature)?;
        let payload: Payload = serde_json::from_slice(&decode(payload)?).map_err(|_| Refusal::Malformed)?;
        if payload.iss != self.issuer || payload.aud != AUDIENCE {
            return Err(Refusal::Party);
        }
        if payload.exp <= now {
            return Err(Refusal::Expired);
        }
        if payload.nbf > now.saturating_add(LEEWAY_SECONDS) {
            return Err(Refusal::NotYet);
        }
        Ok(Claims {
            person: PersonId::new(payload.sub),
            grants_version: payload.grants_version,
            id: payload.jti,
            expires: payload.exp,
        })
    }

    fn recall(&self, digest: &[u8; 32]) -> Option<Claims> {
        self.remembered.lock().ok()?.get(digest).copied()
    }
    fn remember(&self, digest: [u8; 32], claims: Claims, now: i64) {
        let Ok(mut remembered) = self.remembered.lock() else {
            return;
        };
        if remembered.len() >= MAX_REMEMBERED {
            remembered.retain(|_, claims| claims.expires > now);
        }
        if remembered.len() >= MAX_REMEMBERED {
            remembered.clear();
        }
        remembered.insert(digest, claims);
    }

    /// The public keys as a JWK set (RFC 7517, RFC 8037).
    pub fn public_keys(&self) -> serde_json::Value {
        serde_json::json!({ "keys": [{
            "kty": "OKP", "crv": "Ed25519", "x": encoded(&self.key.public()),
            "kid": self.key.name(), "use": "sig", "alg": ALGORITHM,
        }]})
    }
}

#[cfg(test)]
mod tests;
