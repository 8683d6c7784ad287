//! Access tokens: JWS in compact form, EdDSA and nothing else (RFC 8725, RFC 9068).
//!
//! The header must be exactly ours; no key is ever taken from a token. What was verified once is remembered until it
//! expires, because a verification costs more than a question to the database. It never reads the system's clock: the
//! time is the caller's.

use super::key_ring::KeyRing;
use super::keys::ALGORITHM;
use clampward_domain::ids::PersonId;
use jiff::Timestamp;
use jsonwebtoken::Validation;
use jsonwebtoken::errors::ErrorKind;
use jsonwebtoken::jwk::JwkSet;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::collections::HashMap;
use std::sync::{Arc, Mutex};
use uuid::Uuid;

/// Lifetime of an access token.
pub const ACCESS_TOKEN_SECONDS: i64 = 15 * 60;
/// How far clocks of two machines may differ.
pub(super) const LEEWAY_SECONDS: i64 = 60;
/// Longest token that is looked at.
pub const MAX_TOKEN_BYTES: usize = 4096;
/// Most verified tokens that are remembered.
const MAX_REMEMBERED: usize = 10_000;
/// Whom the tokens are for.
pub const AUDIENCE: &str = "clampward";
/// Type of an access token (RFC 9068 section 2.1).
pub(super) const TYPE: &str = "at+jwt";
/// The claims on the wire.
#[derive(Debug, Serialize, Deserialize)]
struct Payload {
    iss: String,
    aud: String,
    sub: Uuid,
    sid: Uuid,
    iat: i64,
    nbf: i64,
    exp: i64,
    jti: Uuid,
    grants_version: u64,
}

/// Whom a token is made for.
#[derive(Clone, Copy, Debug)]
pub struct Subject {
    /// The person.
    pub person: PersonId,
    /// Version of their grants.
    pub grants_version: u64,
    /// The session: once it is ended, the token opens nothing any more.
    pub session: Uuid,
    /// End of the session: no token outlives it.
    pub session_ends: Timestamp,
}

/// An access token, signed.
#[derive(Clone, Debug)]
pub struct AccessToken {
    /// The token.
    pub text: String,
    /// How long it is valid.
    pub expires_in: i64,
}

/// What a token says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Claims {
    /// The person.
    pub person: PersonId,
    /// The session that it belongs to.
    pub session: Uuid,
    /// Version of their grants when the token was made.
    pub grants_version: u64,
    /// The token's id.
    pub id: Uuid,
    /// Second from which it is no longer valid, before the leeway.
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

/// A token could not be signed.
#[derive(Debug, thiserror::Error)]
pub enum IssueError {
    /// The library failed.
    #[error("an access token could not be signed")]
    Library(#[from] jsonwebtoken::errors::Error),
    /// There is no key.
    #[error("there is no key to sign access tokens with")]
    NoKey,
}

/// Makes and verifies access tokens.
pub struct Tokens {
    keys: Arc<KeyRing>,
    issuer: String,
    validation: Validation,
    remembered: Mutex<HashMap<[u8; 32], Remembered>>,
}

/// A token that was verified, and by which key: with the key it is forgotten.
#[derive(Clone)]
struct Remembered {
    claims: Claims,
    key: Arc<str>,
}

impl Tokens {
    /// Tokens of an issuer, signed with the keys of a ring.
    pub fn new(keys: impl Into<Arc<KeyRing>>, issuer: impl Into<String>) -> Self {
        let issuer = issuer.into();
        Self {
            validation: validation(&issuer),
            keys: keys.into(),
            issuer,
            remembered: Mutex::new(HashMap::new()),
        }
    }
    /// Who issues them: also whom the assertions of devices are for.
    pub fn issuer(&self) -> &str {
        &self.issuer
    }
    /// A token for a person, until its lifetime or the session is over.
    pub fn issue(&self, subject: &Subject, id: Uuid, now: Timestamp) -> Result<AccessToken, IssueError> {
        let key = self.keys.signing(now).ok_or(IssueError::NoKey)?;
        let now = now.as_second();
        let expires = now
            .saturating_add(ACCESS_TOKEN_SECONDS)
            .min(subject.session_ends.as_second());
        let payload = Payload {
            iss: self.issuer.clone(),
            aud: AUDIENCE.to_owned(),
            sub: subject.person.into(),
            sid: subject.session,
            iat: now,
            nbf: now,
            exp: expires,
            jti: id,
            grants_version: subject.grants_version,
        };
        Ok(AccessToken {
            text: jsonwebtoken::encode(key.header(), &payload, key.key().private())?,
            expires_in: expires.saturating_sub(now),
        })
    }
    /// What a valid token says.
    pub fn verify(&self, token: &str, now: Timestamp) -> Result<Claims, Refusal> {
        if token.len() > MAX_TOKEN_BYTES {
            return Err(Refusal::Malformed);
        }
        let digest: [u8; 32] = Sha256::digest(token.as_bytes()).into();
        if let Some(Remembered { claims, key }) = self.recall(&digest) {
            return if self.keys.verifying(&key, now).is_none() {
                Err(Refusal::Header)
            } else if is_over(claims.expires, now.as_second()) {
                Err(Refusal::Expired)
            } else {
                Ok(claims)
            };
        }
        let remembered = self.check(token, now)?;
        let claims = remembered.claims;
        self.remember(digest, remembered, now.as_second());
        Ok(claims)
    }

    fn check(&self, token: &str, now: Timestamp) -> Result<Remembered, Refusal> {
        let header = jsonwebtoken::decode_header(token).map_err(|error| header_refusal(error.kind()))?;
        let name = header.kid.as_deref().ok_or(Refusal::Header)?;
        let key = self.keys.verifying(name, now).ok_or(Refusal::Header)?;
        // Equal to ours, so with nothing beside: no `crit`, no `jwk`, no `jku`.
        if header != *key.header() {
            return Err(Refusal::Header);
        }
        let payload: Payload = jsonwebtoken::decode(token, key.key().public(), &self.validation)
            .map_err(|error| refusal(error.kind()))?
            .claims;
        let now = now.as_second();
        if is_over(payload.exp, now) {
            return Err(Refusal::Expired);
        }
        if payload.nbf > now.saturating_add(LEEWAY_SECONDS) {
            return Err(Refusal::NotYet);
        }
        let claims = Claims {
            person: PersonId::new(payload.sub),
            session: payload.sid,
            grants_version: payload.grants_version,
            id: payload.jti,
            expires: payload.exp,
        };
        Ok(Remembered {
            claims,
            key: name.into(),
        })
    }

    fn recall(&self, digest: &[u8; 32]) -> Option<Remembered> {
        self.remembered.lock().ok()?.get(digest).cloned()
    }
    fn remember(&self, digest: [u8; 32], verified: Remembered, now: i64) {
        let Ok(mut remembered) = self.remembered.lock() else {
            return;
        };
        if remembered.len() >= MAX_REMEMBERED {
            remembered.retain(|_, kept| !is_over(kept.claims.expires, now));
        }
        if remembered.len() >= MAX_REMEMBERED {
            remembered.clear();
        }
        remembered.insert(digest, verified);
    }

    /// The public keys as a JWK set (RFC 7517, RFC 8037).
    pub fn public_keys(&self, now: Timestamp) -> JwkSet {
        self.keys.published(now)
    }
}

/// What the library checks: signature, algorithm, issuer, audience, and that no claim is missing. The times are ours,
/// since it would compare them with the system's clock.
fn validation(issuer: &str) -> Validation {
    let mut validation = Validation::new(ALGORITHM);
    validation.validate_exp = false;
    validation.validate_nbf = false;
    validation.set_issuer(&[issuer]);
    validation.set_audience(&[AUDIENCE]);
    validation.set_required_spec_claims(&["iss", "aud", "sub", "exp", "nbf"]);
    validation
}

/// Whether a token with this end is over, also for a clock that is late by the leeway.
fn is_over(expires: i64, now: i64) -> bool {
    now >= expires.saturating_add(LEEWAY_SECONDS)
}

/// A header that parses as JSON but not as a header names something the library does not know.
fn header_refusal(error: &ErrorKind) -> Refusal {
    match error {
        ErrorKind::Json(_) => Refusal::Header,
        _ => Refusal::Malformed,
    }
}

fn refusal(error: &ErrorKind) -> Refusal {
    match error {
        ErrorKind::InvalidAlgorithm => Refusal::Header,
        ErrorKind::InvalidSignature => Refusal::Signature,
        ErrorKind::InvalidIssuer | ErrorKind::InvalidAudience => Refusal::Party,
        _ => Refusal::Malformed,
    }
}

#[cfg(test)]
mod tests;
