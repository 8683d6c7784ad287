//! Randomness of the operating system: secrets and time-ordered ids.
//!
//! A UUID is never used as a secret; secrets have 256 bits.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use jiff::Timestamp;
use sha2::{Digest, Sha256};
use uuid::Uuid;

/// The operating system gave no random bytes.
#[derive(Clone, Copy, Debug, thiserror::Error)]
#[error("the operating system gave no random bytes")]
pub struct NoRandomness;

/// Random bytes.
pub fn bytes<const N: usize>() -> Result<[u8; N], NoRandomness> {
    let mut bytes = [0; N];
    getrandom::fill(&mut bytes).map_err(|_| NoRandomness)?;
    Ok(bytes)
}

/// A new time-ordered id (UUID version 7).
pub fn id(now: Timestamp) -> Result<Uuid, NoRandomness> {
    let millis = u64::try_from(now.as_millisecond()).unwrap_or(0);
    Ok(uuid::Builder::from_unix_timestamp_millis(millis, &bytes::<10>()?).into_uuid())
}

/// A secret that is shown once and kept as its digest only.
#[derive(Clone)]
pub struct Secret {
    text: String,
}

impl Secret {
    /// A new secret of 256 bits behind a prefix by which scanners find it in texts where it should not be.
    pub fn new(prefix: &str) -> Result<Self, NoRandomness> {
        Ok(Self {
            text: format!("{prefix}{}", URL_SAFE_NO_PAD.encode(bytes::<32>()?)),
        })
    }
    /// The secret itself, for the one answer that shows it.
    pub fn reveal(&self) -> &str {
        &self.text
    }
    /// What is kept.
    pub fn digest(&self) -> Vec<u8> {
        digest(&self.text)
    }
}

impl std::fmt::Debug for Secret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Secret")
    }
}

/// The digest (SHA-256) under which a secret is kept.
pub fn digest(secret: &str) -> Vec<u8> {
    Sha256::digest(secret.as_bytes()).to_vec()
}
