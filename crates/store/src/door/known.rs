//! Ids that were used before, with the first answer.

use crate::ledger::Hash;
use crate::{StoreError, Tx};
use clampward_domain::ids::{EntryId, PersonId, YardId};
use clampward_domain::judge::Outcome;
use clampward_domain::reference::YardScope;
use jiff::Timestamp;
use std::collections::BTreeMap;
use uuid::Uuid;

/// A row that was recorded before.
pub(crate) struct Known {
    content_hash: Vec<u8>,
    recorded_by: PersonId,
    /// What it is about.
    pub(crate) stream: Uuid,
    pub(super) position: u64,
    pub(super) seq: u64,
    pub(super) recorded_at: Timestamp,
    yards: Vec<YardId>,
    outcome: Option<Vec<u8>>,
}

impl Known {
    /// Whether this writing is the same again: same content, from the same person. Anybody else learns nothing.
    pub(super) fn is_again(&self, content_hash: &Hash, person: PersonId) -> bool {
        self.content_hash == content_hash && self.recorded_by == person
    }
    /// Whether it says the same, whoever handed it in.
    pub(crate) fn says(&self, content_hash: &Hash) -> bool {
        self.content_hash == content_hash
    }
    /// The first outcome, if the clamp was in these yards at the time.
    pub(super) fn outcome_for(&self, yards: &YardScope, id: EntryId) -> Result<Option<Outcome>, StoreError> {
        if !self.yards.iter().any(|yard| yards.covers(*yard)) {
            return Ok(None);
        }
        self.outcome
            .as_deref()
            .map(|bytes| {
                serde_json::from_slice(bytes).map_err(|error| StoreError::Inconsistent {
                    table: "ledger",
                    column: "outcome",
                    id: id.uuid(),
                    detail: error.to_string(),
                })
            })
            .transpose()
    }
}

type Row = (
    Uuid,
    Uuid,
    Vec<u8>,
    Uuid,
    i64,
    i64,
    jiff_sqlx::Timestamp,
    Vec<Uuid>,
    Option<Vec<u8>>,
);

/// Looks ids up. Called under the locks of the clamps, so that a writing that is still under way has ended.
pub(crate) async fn look_up(tx: &mut Tx, ids: &[Uuid]) -> Result<BTreeMap<EntryId, Known>, StoreError> {
    let rows: Vec<Row> = sqlx::query_as(
        "-- door.look_up
         select id, stream, content_hash, recorded_by, position, seq, recorded_at, yards, outcome
           from ledger where id = any($1)",
    )
    .bind(ids)
    .fetch_all(&mut **tx)
    .await?;
    Ok(rows
        .into_iter()
        .map(
            |(id, stream, content_hash, recorded_by, position, seq, recorded_at, yards, outcome)| {
                let known = Known {
                    stream,
                    content_hash,
                    recorded_by: PersonId::new(recorded_by),
                    position: position.unsigned_abs(),
                    seq: seq.unsigned_abs(),
                    recorded_at: recorded_at.to_jiff(),
                    yards: yards.into_iter().map(YardId::new).collect(),
                    outcome,
                };
                (EntryId::new(id), known)
            },
        )
        .collect())
}
