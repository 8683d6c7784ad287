//! The whole ledger, for those who see every yard.

use super::check::{Verdict, judge};
use super::{Cursor, EVERYBODY, FeedRow, Gone, MAX_ROWS, head, rows};
use crate::{Store, StoreError};
use clampward_domain::reference::YardScope;
use jiff::Timestamp;

/// A page of the ledger.
#[derive(Clone, Debug, PartialEq)]
pub struct Events {
    /// Rows by position.
    pub rows: Vec<FeedRow>,
    /// Where to go on; nothing where nothing came, so that the cursor stays what it is.
    pub next: Option<Cursor>,
    /// Whether more follows at once.
    pub more: bool,
    /// Everything up to here was told.
    pub known_position: u64,
    /// The instant of that knowledge.
    pub known_at: Timestamp,
    /// The head when they were read.
    pub position: u64,
}

impl Store {
    /// The rows of the whole ledger after a cursor, from the first on without one. Whoever calls this sees all yards.
    pub async fn events(
        &self,
        cursor: Option<Cursor>,
        limit: u32,
    ) -> Result<Result<Events, Gone>, StoreError> {
        let before = self.now();
        let mut tx = self.read_moment(&YardScope::All).await?;
        let after = cursor.map_or(0, |cursor| cursor.position);
        let (head, tags) = head::read(&mut tx, &[after], before).await?;
        let at = |position, tag| Cursor {
            epoch: head.epoch,
            position,
            tag,
            yard: EVERYBODY,
            seen: None,
        };
        let verdict = match &cursor {
            Some(cursor) => {
                let tag = tags.first().copied().flatten();
                judge(&mut tx, cursor, &head, [tag; 2]).await?
            }
            None => Verdict::Good,
        };
        let limit = limit.clamp(1, MAX_ROWS);
        let wanted = i64::from(limit)
            .saturating_add_unsigned(after)
            .min(head.position.cast_signed());
        let positions: Vec<i64> = match verdict {
            Verdict::Gone(gone) => return Ok(Err(gone)),
            Verdict::Wait => Vec::new(),
            // Gapless: the numbers are known before anything is read.
            Verdict::Good => (after.cast_signed().saturating_add(1)..=wanted).collect(),
        };
        let read = rows::at(&mut tx, &positions).await?;
        let rows: Vec<FeedRow> = read.into_values().map_while(|row| row).collect();
        let last = rows.last().map(|row| (row.position, row.recorded_at));
        let more = last.is_some_and(|(position, _)| position < head.position);
        let (next, known_position, known_at) = match last {
            Some((position, recorded_at)) if more => {
                let (_, tags) = head::read(&mut tx, &[position], before).await?;
                let tag = tags.first().copied().flatten();
                (tag.map(|tag| at(position, tag)), position, recorded_at)
            }
            Some(_) => (
                Some(at(head.position, head.tag)),
                head.position,
                head.known_at(before),
            ),
            // Nothing can be said here and now: nothing new is known.
            None if verdict == Verdict::Wait => (None, after, Timestamp::UNIX_EPOCH),
            None => {
                let next = cursor.is_none().then(|| at(0, 0));
                (next, head.position.min(after), head.known_at(before))
            }
        };
        tx.finish().await?;
        Ok(Ok(Events {
            rows,
            next,
            more,
            known_position,
            known_at,
            position: head.position,
        }))
    }
}
