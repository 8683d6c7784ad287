//! Hash chain and seal of ledger rows, computed apart from the database so that `verify` is a second opinion.

use crate::StoreError;
use crate::canonical::{self, sha256};
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

/// What a row's seal covers beside its chained hash.
#[derive(Clone, Debug)]
pub struct Sealed<'a> {
    /// The chained hash.
    pub hash: &'a Hash,
    /// Position in the ledger.
    pub position: i64,
    /// Number within the stream.
    pub seq: i64,
    /// When it was recorded.
    pub recorded_at: Timestamp,
    /// Random value by which a reader notices another history.
    pub tag: i64,
    /// The yards it is delivered to.
    pub yards: &'a [Uuid],
    /// The reference version it was judged by.
    pub reference_version: i64,
    /// The first outcome.
    pub outcome: Option<&'a [u8]>,
}

/// The seal of a row; the same as `ledger_seal` in SQL.
pub fn seal(row: &Sealed<'_>) -> Hash {
    let yards: Vec<u8> = row.yards.iter().flat_map(|yard| yard.into_bytes()).collect();
    let outcome = row.outcome.map(|bytes| sha256(&[bytes]));
    let count = i32::try_from(row.yards.len()).unwrap_or(i32::MAX);
    sha256(&[
        row.hash,
        &row.position.to_be_bytes(),
        &row.seq.to_be_bytes(),
        &row.recorded_at.as_microsecond().to_be_bytes(),
        &row.tag.to_be_bytes(),
        &row.reference_version.to_be_bytes(),
        &count.to_be_bytes(),
        &yards,
        outcome.as_ref().map_or(&[][..], |digest| &digest[..]),
    ])
}
