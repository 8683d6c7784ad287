//! What moved since a position: for the one look that all who wait share.

use super::EVERYBODY;
use crate::{Store, StoreError};
use clampward_domain::ids::YardId;
use clampward_domain::reference::YardScope;

/// Rows that are looked at one by one; where more came, everybody is woken.
const MOST: u64 = 10_000;

/// What moved.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Moves {
    /// The head now.
    pub position: u64,
    /// The yards to which anything went since, each with the position of the last row; nothing where it was too much, or
    /// where the ledger went back: then everybody is to look.
    pub yards: Option<Vec<(YardId, u64)>>,
}

impl Moves {
    /// The last position that went to everybody.
    pub fn everybody(&self) -> Option<u64> {
        let yards = self.yards.as_ref()?;
        yards
            .iter()
            .find(|(yard, _)| *yard == EVERYBODY)
            .map(|(_, position)| *position)
    }
}

impl Store {
    /// The head, and what moved after a position.
    pub async fn moves(&self, after: u64) -> Result<Moves, StoreError> {
        let mut tx = self.read(&YardScope::Some(Vec::new())).await?;
        let position: i64 =
            sqlx::query_scalar("-- feed.position\nselect position from ledger_head where one")
                .fetch_one(&mut *tx)
                .await?;
        let position = position.unsigned_abs();
        let yards = match position.checked_sub(after) {
            Some(0) => Some(Vec::new()),
            Some(rows) if rows <= MOST => {
                let moved: Vec<(uuid::Uuid, i64)> =
                    sqlx::query_as("-- feed.moves\nselect yard_id, position from yards_moved($1, $2)")
                        .bind(after.cast_signed())
                        .bind(position.cast_signed())
                        .fetch_all(&mut *tx)
                        .await?;
                let moved = moved.into_iter();
                Some(
                    moved
                        .map(|(yard, position)| (YardId::new(yard), position.unsigned_abs()))
                        .collect(),
                )
            }
            Some(_) | None => None,
        };
        tx.finish().await?;
        Ok(Moves { position, yards })
    }
}
