//! The key that signs access tokens: Ed25519, kept as PKCS#8 PEM with rights for its owner only.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use ed25519_dalek::pkcs8::{DecodePrivateKey, EncodePrivateKey, KeypairBytes, spki::der::pem::LineEnding};
use ed25519_dalek::{Signer, VerifyingKey};
use sha2::{Digest, Sha256};
use std::io::{ErrorKind, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

/// Why there is no signing key.
#[derive(Debug, thiserror::Error)]
pub enum KeyError {
    /// The file cannot be read or written.
    #[error("signing key file {path}")]
    File {
        /// The file.
        path: String,
        /// Why.
        #[source]
        cause: std::io::Error,
    },
    /// Not an Ed25519 key in PKCS#8 PEM.
    #[error("{path} holds no Ed25519 private key in PKCS#8 PEM")]
    Malformed {
        /// The file.
        path: String,
    },
    /// No randomness to make one.
    #[error(transparent)]
    Random(#[from] crate::random::NoRandomness),
}

/// The private key with its name.
#[derive(Clone)]
pub struct SigningKey {
    key: ed25519_dalek::SigningKey,
    name: String,
}

impl SigningKey {
    /// The key of a secret of 32 bytes.
    pub fn from_secret(secret: &[u8; 32]) -> Self {
        let key = ed25519_dalek::SigningKey::from_bytes(secret);
        let name = thumbprint(&key.verifying_key());
        Self { key, name }
    }
    /// A new key.
    pub fn generate() -> Result<Self, KeyError> {
        Ok(Self::from_secret(&crate::random::bytes()?))
    }
    /// The key in a file; made on the first start.
    pub fn load_or_create(path: &Path) -> Result<Self, KeyError> {
        let failed = |cause| KeyError::File {
            path: path.display().to_string(),
            cause,
        };
        match std::fs::read_to_string(path) {
            Ok(pem) => {
                let key = KeypairBytes::from_pkcs8_pem(&pem).map_err(|_| KeyError::Malformed {
                    path: path.display().to_string(),
                })?;
                Ok(Self::from_secret(&key.secret_key))
            }
            Err(error) if error.kind() == ErrorKind::NotFound => {
                let key = Self::generate()?;
                key.write(path).map_err(failed)?;
                Ok(key)
            }
            Err(error) => Err(failed(error)),
        }
    }
    fn write(&self, path: &Path) -> std::io::Result<()> {
        let pair = KeypairBytes {
            secret_key: self.key.to_bytes(),
            public_key: None,
        };
        let pem = pair
            .to_pkcs8_pem(LineEnding::LF)
            .map_err(|error| std::io::Error::other(error.to_string()))?;
        let mut file = std::fs::OpenOptions::new()
            .write(true)
            .create_new(true)
            .mode(0o600)
            .open(path)?;
        file.write_all(pem.as_bytes())?;
        file.sync_all()
    }
    /// Its name, the RFC 7638 thumbprint.
    pub fn name(&self) -> &str {
        &self.name
    }
    /// The public half.
    pub fn public(&self) -> VerifyingKey {
        self.key.verifying_key()
    }
    /// Signs.
    pub fn sign(&self, message: &[u8]) -> [u8; 64] {
        self.key.sign(message).to_bytes()
    }
}

/// The public half as base64url, as it stands in a JWK.
pub(super) fn encoded(key: &VerifyingKey) -> String {
    URL_SAFE_NO_PAD.encode(key.as_bytes())
}

/// RFC 7638 thumbprint of a public key: the digest of its required members in lexicographic order.
pub fn thumbprint(key: &VerifyingKey) -> String {
    let members = format!(r#"{{"crv":"Ed25519","kty":"OKP","x":"{}"}}"#, encoded(key));
    URL_SAFE_NO_PAD.encode(Sha256::digest(members.as_bytes()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn published() -> SigningKey {
        let secret = URL_SAFE_NO_PAD
            .decode("nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A")
            .expect("base64url");
        SigningKey::from_secret(&secret.try_into().expect("32 bytes"))
    }

    // Source: RFC 8037 appendix A.1 to A.3.
    #[test]
    fn public_key_and_thumbprint_are_those_of_rfc_8037() {
        let key = published();
        assert_eq!(
            encoded(&key.public()),
            "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"
        );
        assert_eq!(key.name(), "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k");
    }

    // Source: RFC 8037 appendix A.4.
    #[test]
    fn the_signature_is_that_of_rfc_8037() {
        let input = "eyJhbGciOiJFZERTQSJ9.RXhhbXBsZSBvZiBFZDI1NTE5IHNpZ25pbmc";
        assert_eq!(
            URL_SAFE_NO_PAD.encode(published().sign(input.as_bytes())),
            "hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg"
        );
    }

    #[test]
    fn a_key_file_is_made_once_and_readable_by_its_owner_only() {
        use std::os::unix::fs::PermissionsExt;
        let folder = std::env::temp_dir().join(format!("clampward-key-{}", std::process::id()));
        std::fs::create_dir_all(&folder).expect("folder");
        let path = folder.join("signing-key.pem");
        let made = SigningKey::load_or_create(&path).expect("made");
        let read = SigningKey::load_or_create(&path).expect("read");
        assert_eq!(made.name(), read.name());
        let mode = std::fs::metadata(&path).expect("metadata").permissions().mode();
        assert_eq!(mode & 0o777, 0o600);
        std::fs::write(&path, "no key").expect("write");
        assert!(matches!(
            SigningKey::load_or_create(&path),
            Err(KeyError::Malformed { .. })
        ));
        std::fs::remove_dir_all(&folder).expect("cleaned up");
    }
}
