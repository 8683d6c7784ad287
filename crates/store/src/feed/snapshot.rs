//! A yard as it is now, for a reader who begins: the head first, then reference data, then clamps by id, each part of a
//! moment of its own. What happens meanwhile is behind the head that was read first, and comes by pulling from there. The
//! cursor stays at that place and says with each part up to where the states go that were told so far.

use super::check::{Verdict, judge};
use super::clamps::of_yard;
use super::page::everything;
use super::{Cursor, FeedClamp, Gone, ReferenceRecord, head};
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

/// A part of a snapshot.
#[derive(Clone, Debug, PartialEq)]
pub enum SnapshotPart {
    /// The next clamps by id, none at the end; and where to go on pulling once any of them was told.
    Clamps(Cursor, Vec<FeedClamp>),
    /// What was told before is of another history, or too old.
    Gone(Gone),
    /// Nothing can be said here and now: this database follows another one and may be behind what was told before.
    Wait,
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
                seen: Some(head.seen()),
            },
            reference_version: head.reference_version,
            generated_at: head.known_at(before),
            reference: everything(yard, &reference),
        }))
    }

    /// The next clamps of a cursor's yard, which is the reader's, after a clamp (exclusive). The cursor is that of the part
    /// before.
    pub async fn snapshot_clamps(
        &self,
        cursor: Cursor,
        after: Option<ClampId>,
        limit: u32,
    ) -> Result<SnapshotPart, StoreError> {
        let mut tx = self.read_moment(&YardScope::Some(vec![cursor.yard])).await?;
        let (head, tags) = head::read(&mut tx, &cursor.positions(), self.now()).await?;
        let tags = tags.first_chunk().copied().unwrap_or_default();
        match judge(&mut tx, &cursor, &head, tags).await? {
            Verdict::Good => {}
            Verdict::Wait => return Ok(SnapshotPart::Wait),
            Verdict::Gone(gone) => return Ok(SnapshotPart::Gone(gone)),
        }
        let after = after.map_or(Uuid::nil(), ClampId::uuid);
        let rows = of_yard(&mut tx, cursor.yard, after, limit).await?;
        let mut clamps = Vec::with_capacity(rows.len());
        for row in rows {
            clamps.push(self.as_it_is(&mut tx, row, &head).await?.line);
        }
        tx.finish().await?;
        let seen = Some(head.seen());
        Ok(SnapshotPart::Clamps(Cursor { seen, ..cursor }, clamps))
    }
}
