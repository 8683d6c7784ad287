//! Whether a signature fits a key: Ed25519 (RFC 8032) of devices and of people on them. Whose key it is, and whether it was
//! live, is judged elsewhere.

use aws_lc_rs::signature::{ED25519, UnparsedPublicKey};
use clampward_domain::entry::{Signature, ToBeSigned};
use clampward_domain::signing::{SigningKey, Unsigned};
use clampward_wire::sync::device::read_signature;
use jiff::Timestamp;
use serde::Serialize;

/// Whether a signature is one of these bytes by the holder of this key.
pub fn fits(public_key: &[u8; 32], message: &[u8], signature: &[u8; 64]) -> bool {
    UnparsedPublicKey::new(&ED25519, public_key)
        .verify(message, signature)
        .is_ok()
}

/// Whether an entry bears its author's signature, by the key that was looked up for it. Whether the author was entitled to
/// it is [`clampward_domain::signing::is_entitled`]'s.
pub fn is_signed<B: Serialize>(
    entry: &ToBeSigned<'_, B>,
    signature: Option<&Signature>,
    key: Option<&SigningKey>,
    counted_at: Timestamp,
) -> Result<(), Unsigned> {
    let signature = signature.ok_or(Unsigned::NoSignature)?;
    let key = key
        .filter(|key| key.id == signature.key_id)
        .ok_or(Unsigned::UnknownKey)?;
    key.is_for(entry, counted_at)?;
    let value = read_signature(&signature.value).ok_or(Unsigned::WrongSignature)?;
    // What has no canonical form was never signed.
    let bytes = entry.bytes().map_err(|_| Unsigned::WrongSignature)?;
    if fits(&key.public_key, &bytes, &value) {
        Ok(())
    } else {
        Err(Unsigned::WrongSignature)
    }
}

/// Whether a public key is one of the few points that make signatures fit any message: nobody's key.
pub fn is_nobodys(public_key: &[u8; 32]) -> bool {
    let mut y = *public_key;
    // The sign of x says nothing of the order.
    if let Some(last) = y.last_mut() {
        *last &= 0x7f;
    }
    SMALL_ORDER.contains(&y)
}

/// The y coordinates of the points whose order divides 8, little-endian, and the numbers from p upwards that stand for one
/// of them. From the curve's equation (RFC 8032 section 5.1): 1 is the neutral element's, −1 is of order 2, 0 of order 4; the
/// two long ones are of order 8 (added to themselves eight times, and no fewer, they give the neutral element).
const SMALL_ORDER: [[u8; 32]; 7] = [
    of_small(0),
    of_small(1),
    [
        0x26, 0xe8, 0x95, 0x8f, 0xc2, 0xb2, 0x27, 0xb0, 0x45, 0xc3, 0xf4, 0x89, 0xf2, 0xef, 0x98, 0xf0, 0xd5,
        0xdf, 0xac, 0x05, 0xd3, 0xc6, 0x33, 0x39, 0xb1, 0x38, 0x02, 0x88, 0x6d, 0x53, 0xfc, 0x05,
    ],
    [
        0xc7, 0x17, 0x6a, 0x70, 0x3d, 0x4d, 0xd8, 0x4f, 0xba, 0x3c, 0x0b, 0x76, 0x0d, 0x10, 0x67, 0x0f, 0x2a,
        0x20, 0x53, 0xfa, 0x2c, 0x39, 0xcc, 0xc6, 0x4e, 0xc7, 0xfd, 0x77, 0x92, 0xac, 0x03, 0x7a,
    ],
    near_p(0xec),
    near_p(0xed),
    near_p(0xee),
];

const fn of_small(value: u8) -> [u8; 32] {
    let mut y = [0; 32];
    y[0] = value;
    y
}

/// 2^255 − 19 ends in 0xed.
const fn near_p(lowest: u8) -> [u8; 32] {
    let mut y = [0xff; 32];
    y[0] = lowest;
    y[31] = 0x7f;
    y
}

#[cfg(test)]
mod tests {
    //! Signatures of entries, and keys that are none.

    use super::*;
    use aws_lc_rs::signature::Ed25519KeyPair;
    use aws_lc_rs::signature::KeyPair as _;
    use clampward_domain::ids::{DeviceId, EntryId, PersonId};
    use clampward_domain::words::EntryKind;
    use clampward_wire::sync::device::write_signature;
    use uuid::Uuid;

    fn pair(seed: u8) -> Ed25519KeyPair {
        Ed25519KeyPair::from_seed_unchecked(&[seed; 32]).unwrap()
    }
    fn public(pair: &Ed25519KeyPair) -> [u8; 32] {
        pair.public_key().as_ref().try_into().unwrap()
    }

    #[test]
    fn an_entry_is_signed_by_the_key_that_its_signature_names_and_by_no_other() {
        let (mara, other) = (pair(1), pair(2));
        let id = Uuid::from_u128(7);
        let at: Timestamp = "2026-03-01T08:00:00Z".parse().unwrap();
        let key = SigningKey {
            id,
            device_id: DeviceId::new(id),
            person_id: PersonId::new(id),
            public_key: public(&mara),
            created_at: at,
            expires_at: "2026-03-31T08:00:00Z".parse().unwrap(),
            revoked_at: None,
            is_distrusted: false,
        };
        let body = serde_json::json!({"reason": "dropped"});
        let entry = ToBeSigned {
            id: EntryId::new(id),
            device_id: DeviceId::new(id),
            clamp_id: None,
            mark: Some("PEL-006"),
            kind: EntryKind::TaggedOut,
            performed_at: at,
            performed_by: PersonId::new(id),
            body: &body,
        };
        let by = |pair: &Ed25519KeyPair, entry: &ToBeSigned<'_>| Signature {
            key_id: id,
            value: write_signature(&pair.sign(&entry.bytes().unwrap()).as_ref().try_into().unwrap()),
        };
        let good = by(&mara, &entry);
        assert_eq!(is_signed(&entry, Some(&good), Some(&key), at), Ok(()));
        assert_eq!(
            is_signed(&entry, None, Some(&key), at),
            Err(Unsigned::NoSignature)
        );
        assert_eq!(
            is_signed(&entry, Some(&good), None, at),
            Err(Unsigned::UnknownKey)
        );
        let named_another = Signature {
            key_id: Uuid::from_u128(8),
            ..good.clone()
        };
        assert_eq!(
            is_signed(&entry, Some(&named_another), Some(&key), at),
            Err(Unsigned::UnknownKey)
        );
        for wrong in [
            by(&other, &entry).value,
            good.value.replacen(|_| true, "_", 1),
            format!("{}=", good.value),
            String::new(),
        ] {
            let wrong = Signature {
                key_id: id,
                value: wrong,
            };
            assert_eq!(
                is_signed(&entry, Some(&wrong), Some(&key), at),
                Err(Unsigned::WrongSignature)
            );
        }
        let changed = serde_json::json!({"reason": "stolen"});
        let changed = ToBeSigned {
            body: &changed,
            ..entry.clone()
        };
        assert_eq!(
            is_signed(&changed, Some(&good), Some(&key), at),
            Err(Unsigned::WrongSignature)
        );
        let before = "2026-02-28T08:00:00Z".parse().unwrap();
        assert_eq!(
            is_signed(&entry, Some(&good), Some(&key), before),
            Err(Unsigned::KeyNotLive)
        );
    }

    // Source: RFC 8037 appendix A.4 and A.5.
    #[test]
    fn the_signature_of_rfc_8037_fits_its_own_text_and_key_only() {
        let text = b"eyJhbGciOiJFZERTQSJ9.RXhhbXBsZSBvZiBFZDI1NTE5IHNpZ25pbmc";
        let key =
            clampward_wire::sync::device::read_public_key("11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo");
        let signature = read_signature(
            "hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg",
        );
        let (key, signature) = (key.unwrap(), signature.unwrap());
        assert!(fits(&key, text, &signature));
        assert!(!fits(&key, b"another text", &signature));
        assert!(!fits(&public(&pair(1)), text, &signature));
    }

    /// With a key of small order anybody can sign: the neutral element's needs no more than itself and zero.
    #[test]
    fn a_key_under_which_everything_is_signed_is_nobodys() {
        let neutral = of_small(1);
        let mut signature = [0; 64];
        signature[..32].copy_from_slice(&neutral);
        assert!(fits(&neutral, b"one text", &signature) && fits(&neutral, b"another text", &signature));
        for mut key in SMALL_ORDER {
            assert!(is_nobodys(&key));
            key[31] |= 0x80;
            assert!(is_nobodys(&key));
        }
        for seed in 0..50 {
            assert!(!is_nobodys(&public(&pair(seed))));
        }
    }
}
