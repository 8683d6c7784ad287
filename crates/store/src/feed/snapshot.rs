//! A yard as it is now, for a reader who begins: the head first, then reference data, then clamps by id, each part of a
//! moment of its own. What happens meanwhile is behind the head that was read first, and comes by pulling from there.

use super::clamps::Row;
use super::page::everything;
use super::{Cursor, FeedClamp, ReferenceRecord, head};
use crate::{Store, StoreError};
use clampward_domain::ids::{ClampId, YardId};
use clampward_domain::reference::YardScope;
use jiff::Timestamp;
use uuid::Uuid;

/// With what a snapshot begins.
#[derive(Clone, Debug)]
pub struct SnapshotStart {
    /// Where to go on pulling.
    pub cursor: Cursor,
    /// Version of the reference data.
    pub reference_version: u64,
    /// The instant of this knowledge.
    pub generated_at: Timestamp,
    /// The reference data.
    pub reference: Vec<ReferenceRecord>,
}

impl Store {
    /// Begins a snapshot of a yard, which is the reader's; nothing if there is no such yard.
    pub async fn begin_snapshot(&self, yard: YardId) -> Result<Option<SnapshotStart>, StoreError> {
        let before = self.now();
        let mut tx = self.read_moment(&YardScope::Some(vec![yard])).await?;
        let (head, _) = head::read(&mut tx, &[], before).await?;
        let reference = self.snapshot(&mut tx, head.reference_version).await?;
        tx.finish().await?;
        Ok(reference.yards.contains_key(&yard).then(|| SnapshotStart {
            cursor: Cursor {
                epoch: head.epoch,
                position: head.position,
                tag: head.tag,
                yard,
            },
            reference_version: head.reference_version,
            generated_at: head.known_at(before),
            reference: everything(yard, &reference),
        }))
    }

    /// The next clamps of a yard after a clamp (exclusive), by id; none at the end.
    pub async fn snapshot_clamps(
        &self,
        yard: YardId,
        after: Option<ClampId>,
        limit: u32,
    ) -> Result<Vec<FeedClamp>, StoreError> {
        let mut tx = self.read_moment(&YardScope::Some(vec![yard])).await?;
        let rows: Vec<Row> = sqlx::query_as(
            "-- feed.snapshot
             select c.id, c.yards, c.state::text as state, h.position, c.reference_version,
                    exists (select from pending_reassessment as p where p.clamp_id = c.id) as pending
               from clamp as c join stream_head as h on h.stream = c.id
              where c.id > $1 and c.yards @> array[$2::uuid] order by c.id limit $3",
        )
        .bind(after.map_or(Uuid::nil(), ClampId::uuid))
        .bind(yard.uuid())
        .bind(i64::from(limit.max(1)))
        .fetch_all(&mut *tx)
        .await?;
        let mut clamps = Vec::with_capacity(rows.len());
        if rows.iter().any(|row| row.pending) {
            let (head, _) = head::read(&mut tx, &[], self.now()).await?;
            for row in rows {
                clamps.push(self.as_it_is(&mut tx, row, &head).await?.line);
            }
        } else {
            clamps.extend(rows.into_iter().map(Row::line));
        }
        tx.finish().await?;
        Ok(clamps)
    }
}
