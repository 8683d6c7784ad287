//! What an event is signed with (Standard Webhooks 1.0.0): by a secret that its receiver has (`v1`, HMAC-SHA256), and by a key of
//! which its receiver needs the public half only (`v1a`, Ed25519).

use aws_lc_rs::hmac;
use aws_lc_rs::signature::{Ed25519KeyPair, KeyPair};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;

/// Bytes of a secret: 32 for HMAC, 32 as the seed of an Ed25519 key.
pub const KEYS_BYTES: usize = 64;

/// The keys of one secret.
pub struct WebhookKeys {
    secret: [u8; 32],
    pair: Ed25519KeyPair,
}

/// The bytes are no keys.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("a webhook secret has {KEYS_BYTES} bytes")]
pub struct NoKeys;

impl WebhookKeys {
    /// From the bytes that are kept.
    pub fn new(bytes: &[u8]) -> Result<Self, NoKeys> {
        let (secret, seed) = bytes.split_at_checked(32).ok_or(NoKeys)?;
        Ok(Self {
            secret: secret.try_into().map_err(|_| NoKeys)?,
            pair: Ed25519KeyPair::from_seed_unchecked(seed).map_err(|_| NoKeys)?,
        })
    }

    /// The secret as receivers are given it.
    pub fn secret(&self) -> String {
        format!("whsec_{}", STANDARD.encode(self.secret))
    }

    /// The public key as receivers are given it.
    pub fn public_key(&self) -> String {
        format!("whpk_{}", STANDARD.encode(self.pair.public_key().as_ref()))
    }

    /// Both signatures of a message, as they stand in its header.
    pub fn sign(&self, id: &str, seconds: i64, body: &str) -> String {
        let signed = format!("{id}.{seconds}.{body}");
        let by_secret = hmac::sign(
            &hmac::Key::new(hmac::HMAC_SHA256, &self.secret),
            signed.as_bytes(),
        );
        let by_key = self.pair.sign(signed.as_bytes());
        format!(
            "v1,{} v1a,{}",
            STANDARD.encode(by_secret),
            STANDARD.encode(by_key)
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use aws_lc_rs::signature::{ED25519, UnparsedPublicKey};

    /// Signs with a secret of any length, as the vectors have.
    fn by_secret(secret: &[u8], signed: &str) -> String {
        let tag = hmac::sign(&hmac::Key::new(hmac::HMAC_SHA256, secret), signed.as_bytes());
        STANDARD.encode(tag)
    }

    /// Standard Webhooks: the example of its reference libraries (crate `standardwebhooks` 1.0.1, tests). Its secret is shorter
    /// than ours, so the other half of the bytes is made up.
    #[test]
    fn the_signature_is_that_of_the_reference_libraries() {
        let secret = STANDARD.decode("C2FVsBQIhrscChlQIMV+b5sSYspob7oD").unwrap();
        let signed = "msg_27UH4WbU6Z5A5EzD8u03UvzRbpk.1649367553.{\"email\":\"test@example.com\",\"username\":\"test_user\"}";
        assert_eq!(
            by_secret(&secret, signed),
            "tZ1I4/hDygAJgO5TYxiSd6Sd0kDW6hPenDe+bTa3Kkw="
        );
    }

    /// RFC 4231, case 2.
    #[test]
    fn hmac_is_that_of_rfc_4231() {
        let tag = hmac::sign(
            &hmac::Key::new(hmac::HMAC_SHA256, b"Jefe"),
            b"what do ya want for nothing?",
        );
        let expected = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843";
        let hex: String = tag.as_ref().iter().map(|byte| format!("{byte:02x}")).collect();
        assert_eq!(hex, expected);
    }

    #[test]
    fn both_signatures_are_over_id_time_and_body() {
        let bytes: Vec<u8> = (0..64).collect();
        let keys = WebhookKeys::new(&bytes).unwrap();
        let header = keys.sign("id", 7, "{}");
        let (v1, v1a) = header.split_once(' ').unwrap();
        assert_eq!(v1, format!("v1,{}", by_secret(&bytes[..32], "id.7.{}")));
        let public = STANDARD
            .decode(keys.public_key().strip_prefix("whpk_").unwrap())
            .unwrap();
        let signature = STANDARD.decode(v1a.strip_prefix("v1a,").unwrap()).unwrap();
        let key = UnparsedPublicKey::new(&ED25519, public);
        assert!(key.verify(b"id.7.{}", &signature).is_ok());
        assert!(key.verify(b"id.8.{}", &signature).is_err());
        assert_eq!(keys.secret(), format!("whsec_{}", STANDARD.encode(&bytes[..32])));
    }

    /// RFC 8037, appendix A.1 and A.2: the public half of the seed there.
    #[test]
    fn the_public_key_is_that_of_rfc_8037() {
        let url_safe = base64::engine::general_purpose::URL_SAFE_NO_PAD;
        let seed = url_safe
            .decode("nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A")
            .unwrap();
        let keys = WebhookKeys::new(&[vec![0; 32], seed].concat()).unwrap();
        let public = url_safe
            .decode("11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo")
            .unwrap();
        assert_eq!(keys.public_key(), format!("whpk_{}", STANDARD.encode(public)));
        assert!(WebhookKeys::new(&[0; 63]).is_err());
        assert!(WebhookKeys::new(&[0; 65]).is_err());
    }
}
