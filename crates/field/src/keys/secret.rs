//! The secret of the device: the seed of its key, and what every sealed key rests on besides its code.

use super::{KeyProblem, decode, encode, public_key, sign};
use crate::failure::{Done, Failure};
use clampward_domain::ids::{DeviceId, PersonId};
use clampward_wire::sync::device::EnrolRequest;
use jiff::{SignedDuration, Timestamp};
use serde_json::json;
use std::fs::{File, OpenOptions};
use std::io::Write;
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;
use uuid::Uuid;

/// Bytes of randomness that a secret is made of.
pub const SECRET_BYTES: usize = 64;
/// How long an assertion is good for.
const ASSERTION_LASTS: SignedDuration = SignedDuration::from_secs(240);

/// The secret, which never leaves the device.
#[derive(Clone)]
pub struct DeviceSecret {
    seed: [u8; 32],
    pepper: [u8; 32],
}

impl DeviceSecret {
    /// Reads the file.
    pub fn read(path: &Path) -> Done<Self> {
        let text = std::fs::read_to_string(path).map_err(|_| KeyProblem::NoSecret)?;
        let (seed, pepper) = text.trim().split_once('.').ok_or(KeyProblem::NoSecret)?;
        Ok(Self {
            seed: decode(seed)?,
            pepper: decode(pepper)?,
        })
    }

    /// Reads the file, or makes it of random bytes: readable for its owner only, on the disk when this returns.
    pub fn read_or_make(path: &Path, random: &[u8; SECRET_BYTES]) -> Done<Self> {
        if path.exists() {
            return Self::read(path);
        }
        let (seed, pepper) = random.split_at(32);
        let text = format!("{}.{}\n", encode(seed), encode(pepper));
        let failed = |cause| Failure::File {
            path: path.display().to_string(),
            cause,
        };
        let fresh = path.with_extension("new");
        let _ = std::fs::remove_file(&fresh);
        let mut file = OpenOptions::new()
            .write(true)
            .create_new(true)
            .mode(0o600)
            .open(&fresh)
            .map_err(failed)?;
        file.write_all(text.as_bytes()).map_err(failed)?;
        file.sync_all().map_err(failed)?;
        std::fs::rename(&fresh, path).map_err(failed)?;
        if let Some(folder) = path.parent() {
            File::open(folder)
                .and_then(|folder| folder.sync_all())
                .map_err(failed)?;
        }
        Self::read(path)
    }

    /// What sealed keys rest on besides their code.
    pub(super) const fn pepper(&self) -> &[u8; 32] {
        &self.pepper
    }

    /// The device's public key.
    pub fn public_key(&self) -> Result<String, KeyProblem> {
        public_key(&self.seed)
    }

    /// Signs with the device's key.
    pub fn sign(&self, bytes: &[u8]) -> Result<String, KeyProblem> {
        sign(&self.seed, bytes)
    }

    /// What the device is enrolled with.
    pub fn enrolment(&self, code: &str) -> Result<EnrolRequest, KeyProblem> {
        Ok(EnrolRequest {
            code: code.to_owned(),
            public_key: self.public_key()?,
            possession: self.sign(format!("clampward-enrolment-v1\n{code}").as_bytes())?,
        })
    }

    /// By what the device signs in (RFC 7523 section 3, RFC 8037 section 3.1). `now` is the service's time as far as
    /// the device knows it.
    pub fn assertion(
        &self,
        device: DeviceId,
        audience: &str,
        id: Uuid,
        now: Timestamp,
    ) -> Result<String, KeyProblem> {
        let issued = now.as_second().saturating_sub(30);
        let expires = issued.saturating_add(ASSERTION_LASTS.as_secs());
        let header = json!({"alg": "EdDSA", "typ": "JWT"}).to_string();
        let claims = json!({
            "iss": device, "sub": device, "aud": audience, "jti": id, "iat": issued, "exp": expires,
        })
        .to_string();
        let signed = format!("{}.{}", encode(header.as_bytes()), encode(claims.as_bytes()));
        let signature = self.sign(signed.as_bytes())?;
        Ok(format!("{signed}.{signature}"))
    }
}

/// What a new signing key proves its possession with.
pub(super) fn possession(device: DeviceId, person: PersonId) -> String {
    format!("clampward-signing-key-v1\n{device}\n{person}")
}
