//! Cursors as clients hold them: opaque, authenticated, good for one account only.
//!
//! Whoever changes a bit of one, or finds another's, has nothing: not a row more than they may see, not a word about
//! where the ledger stands. What a cursor means is the store's.

use aws_lc_rs::constant_time::verify_slices_are_equal;
use aws_lc_rs::hmac;
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use clampward_domain::ids::{PersonId, YardId};
use clampward_store::feed::{Cursor, Seen};
use uuid::Uuid;

/// The first form: its number, epoch, position, tag and yard, big-endian. Cursors of the whole ledger have it, and those of
/// yards that were given before there was the second.
const PLAIN: u8 = 1;
/// The second form: position and tag up to which states were told follow.
const SEEN: u8 = 2;
/// Bytes of the first form before the proof.
const PLAIN_BODY: usize = 1 + 4 + 8 + 8 + 16;
/// The same of the second.
const SEEN_BODY: usize = PLAIN_BODY + 8 + 8;
/// Bytes of the proof: the first of an HMAC with SHA-256.
const PROOF: usize = 16;
/// Said before everything else that is proven, so that the key proves nothing else.
const PURPOSE: &[u8] = b"clampward-cursor-v1";

/// Writes and reads the cursors of one account.
pub struct Cursors {
    key: hmac::Key,
    of: PersonId,
}

impl Cursors {
    /// Those of an account, by the key that every process has.
    pub fn of(key: &[u8; 32], account: PersonId) -> Self {
        Self {
            key: hmac::Key::new(hmac::HMAC_SHA256, key),
            of: account,
        }
    }

    /// As text.
    pub fn write(&self, cursor: &Cursor) -> String {
        let mut bytes = Vec::with_capacity(SEEN_BODY + PROOF);
        bytes.push(if cursor.seen.is_some() { SEEN } else { PLAIN });
        bytes.extend_from_slice(&cursor.epoch.to_be_bytes());
        bytes.extend_from_slice(&cursor.position.to_be_bytes());
        bytes.extend_from_slice(&cursor.tag.to_be_bytes());
        bytes.extend_from_slice(cursor.yard.uuid().as_bytes());
        if let Some(seen) = &cursor.seen {
            bytes.extend_from_slice(&seen.position.to_be_bytes());
            bytes.extend_from_slice(&seen.tag.to_be_bytes());
        }
        let proof = self.proof(&bytes);
        bytes.extend_from_slice(&proof);
        URL_SAFE_NO_PAD.encode(bytes)
    }

    /// Reads one back; nothing unless this account was given exactly this one.
    pub fn read(&self, text: &str) -> Option<Cursor> {
        let bytes = URL_SAFE_NO_PAD.decode(text).ok()?;
        let (body, proof) = bytes.split_at_checked(bytes.len().checked_sub(PROOF)?)?;
        verify_slices_are_equal(proof, &self.proof(body)).ok()?;
        let (version, rest) = body.split_first()?;
        let (epoch, rest) = rest.split_first_chunk::<4>()?;
        let (position, rest) = rest.split_first_chunk::<8>()?;
        let (tag, rest) = rest.split_first_chunk::<8>()?;
        let (yard, rest) = rest.split_first_chunk::<16>()?;
        let seen = match (*version, body.len()) {
            (PLAIN, PLAIN_BODY) => None,
            (SEEN, SEEN_BODY) => {
                let (position, tag) = rest.split_first_chunk::<8>()?;
                Some(Seen {
                    position: u64::from_be_bytes(*position),
                    tag: i64::from_be_bytes(*tag.first_chunk::<8>()?),
                })
            }
            _ => return None,
        };
        Some(Cursor {
            epoch: u32::from_be_bytes(*epoch),
            position: u64::from_be_bytes(*position),
            tag: i64::from_be_bytes(*tag),
            yard: YardId::new(Uuid::from_bytes(*yard)),
            seen,
        })
    }

    fn proof(&self, body: &[u8]) -> [u8; PROOF] {
        let mut context = hmac::Context::with_key(&self.key);
        context.update(PURPOSE);
        context.update(self.of.uuid().as_bytes());
        context.update(body);
        let mut proof = [0; PROOF];
        for (into, from) in proof.iter_mut().zip(context.sign().as_ref()) {
            *into = *from;
        }
        proof
    }
}

#[cfg(test)]
mod tests {
    //! A cursor is what was given, to whom it was given, or nothing.

    use super::*;

    const KEY: [u8; 32] = [7; 32];

    fn cursors(account: u128) -> Cursors {
        Cursors::of(&KEY, PersonId::new(Uuid::from_u128(account)))
    }

    fn some() -> Cursor {
        Cursor {
            epoch: 3,
            position: 1 << 40,
            tag: -5,
            yard: YardId::new(Uuid::from_u128(0xa1)),
            seen: Some(Seen {
                position: (1 << 40) + 9,
                tag: 77,
            }),
        }
    }

    #[test]
    fn forty_seven_a_cursor_is_read_back_by_the_account_that_has_it_and_by_no_other() {
        let text = cursors(1).write(&some());
        assert_eq!(text.len(), 92);
        assert_eq!(cursors(1).read(&text), Some(some()));
        assert_eq!(cursors(2).read(&text), None);
        let other = Cursors::of(&[8; 32], PersonId::new(Uuid::from_u128(1)));
        assert_eq!(other.read(&text), None);
        let plain = Cursor { seen: None, ..some() };
        let text = cursors(1).write(&plain);
        assert_eq!(text.len(), 71);
        assert_eq!(cursors(1).read(&text), Some(plain));
    }

    #[test]
    fn forty_seven_a_cursor_with_any_bit_flipped_or_any_length_but_its_own_is_none() {
        none_but_itself(&cursors(1).write(&some()));
        none_but_itself(&cursors(1).write(&Cursor { seen: None, ..some() }));
    }

    fn none_but_itself(text: &str) {
        let bytes = URL_SAFE_NO_PAD.decode(text).unwrap();
        for bit in 0..bytes.len() * 8 {
            let mut flipped = bytes.clone();
            flipped[bit / 8] ^= 1 << (bit % 8);
            assert_eq!(
                cursors(1).read(&URL_SAFE_NO_PAD.encode(flipped)),
                None,
                "bit {bit}"
            );
        }
        // In the text too: letters that stand for the same bytes are not the same cursor.
        for place in 0..text.len() {
            for letter in ["A", "B", "-", "_", "9", "=", "+", " ", "é"] {
                let mut changed = text.to_owned();
                changed.replace_range(place..=place, letter);
                assert!(
                    changed == text || cursors(1).read(&changed).is_none(),
                    "{changed}"
                );
            }
        }
        for length in 0..bytes.len() {
            assert_eq!(cursors(1).read(&URL_SAFE_NO_PAD.encode(&bytes[..length])), None);
        }
        let longer = [bytes.as_slice(), &[0]].concat();
        assert_eq!(cursors(1).read(&URL_SAFE_NO_PAD.encode(longer)), None);
        assert_eq!(cursors(1).read(&format!("{text}=")), None);
        assert_eq!(cursors(1).read(&text.to_lowercase()), None);
    }
}
