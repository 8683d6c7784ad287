//! Hash chain and seal of ledger rows, computed apart from the database so that `verify` is a second opinion.

use crate::StoreError;
use clampward_domain::canonical::{self, sha256};
use jiff::Timestamp;
use serde::Serialize;
use uuid::Uuid;

/// A SHA-256 digest.
pub type Hash = [u8; 32];

/// What the first row of a stream continues.
pub const GENESIS: Hash = [0; 32];

/// The hash of a row whose stored bytes are `bytes`, after the row with hash `previous`.
pub fn link(previous: &Hash, bytes: &[u8]) -> Hash {
    sha256(&[previous, bytes])
}

/// The digest of what an author wrote, in canonical form: two writings under one id are the same if these agree.
pub fn content_hash(content: &impl Serialize) -> Result<Hash, StoreError> {
    Ok(sha256(&[&canonical::to_bytes(content)?]))
}

/// What a row's seal covers beside its chained hash: every other column.
#[derive(Clone, Debug)]
pub struct Sealed<'a> {
    /// The chained hash.
    pub hash: &'a Hash,
    /// Digest of what its author wrote.
    pub content_hash: &'a [u8],
    /// Its id.
    pub id: Uuid,
    /// What it is about.
    pub stream: Uuid,
    /// Position in the ledger.
    pub position: i64,
    /// Number within the stream.
    pub seq: i64,
    /// Random value by which a reader notices another history.
    pub tag: i64,
    /// The reference version it was judged by.
    pub reference_version: i64,
    /// When it happened, when that counts, when it was recorded.
    pub times: [Timestamp; 3],
    /// Who did it, who handed it in.
    pub people: [Uuid; 2],
    /// On which device.
    pub device_id: Option<Uuid>,
    /// The yards it is delivered to.
    pub yards: &'a [Uuid],
    /// The first outcome.
    pub outcome: Option<&'a [u8]>,
    /// Its kind.
    pub kind: &'a str,
}

/// The seal of a row; the same as the trigger `ledger_seal` in SQL.
pub fn seal(row: &Sealed<'_>) -> Hash {
    let mut bytes = Vec::with_capacity(256);
    bytes.extend_from_slice(row.hash);
    bytes.extend_from_slice(row.content_hash);
    bytes.extend_from_slice(row.id.as_bytes());
    bytes.extend_from_slice(row.stream.as_bytes());
    for number in [row.position, row.seq, row.tag, row.reference_version] {
        bytes.extend_from_slice(&number.to_be_bytes());
    }
    for time in row.times {
        bytes.extend_from_slice(&time.as_microsecond().to_be_bytes());
    }
    for person in row.people {
        bytes.extend_from_slice(person.as_bytes());
    }
    if let Some(device) = row.device_id {
        bytes.extend_from_slice(device.as_bytes());
    }
    bytes.extend_from_slice(&i32::try_from(row.yards.len()).unwrap_or(i32::MAX).to_be_bytes());
    for yard in row.yards {
        bytes.extend_from_slice(yard.as_bytes());
    }
    bytes.extend_from_slice(&sha256(&[row.outcome.unwrap_or_default()]));
    bytes.extend_from_slice(row.kind.as_bytes());
    sha256(&[&bytes])
}

/// Bytes as they are written in a text.
pub(crate) fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write;
    bytes.iter().fold(String::new(), |mut text, byte| {
        // Writing into a string cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}
