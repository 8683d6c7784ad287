//! Accounting for a clamp that cannot be found, and closing a bulletin.

use super::list::one;
use super::progress::{Progress, counts, following};
use super::{BulletinError, BulletinRecord};
use crate::reference::{ReferenceRow, record, record_beside};
use crate::{Store, StoreError, Tx};
use clampward_domain::ids::{BulletinId, ClampId, PersonId};
use clampward_domain::reference::YardScope;
use jiff::civil::Date;
use jiff_sqlx::ToSqlx;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// What is recorded of a clamp that could not be found.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct NotFound {
    /// The clamp.
    pub clamp_id: ClampId,
    /// Who looks for it.
    pub owner: PersonId,
    /// Until when.
    pub look_until: Date,
    /// Where it was looked for.
    pub note: String,
}

/// What is recorded when a bulletin is closed: what every clamp had come to.
#[derive(Serialize)]
struct Closure {
    scrapped: u64,
    returned: u64,
    not_found: u64,
}

impl Store {
    /// Notes that a clamp which a bulletin holds could not be found. It closes the count, never the lock-out.
    pub async fn note_not_found(
        &self,
        row_id: Uuid,
        by: PersonId,
        yards: &YardScope,
        id: BulletinId,
        word: &NotFound,
    ) -> Result<(), BulletinError> {
        self.run_tx("bulletins.not_found", async |tx| {
            locked(tx, id).await?;
            let in_yards: Option<Vec<Uuid>> = sqlx::query_scalar(
                "-- bulletins.held_clamp
                 select c.yards from clamp as c
                  where c.id = $2 and exists (select from lockout as l
                                               where l.bulletin_id = $1 and l.clamp_id = c.id and l.closed_at is null)",
            )
            .bind(id.uuid())
            .bind(word.clamp_id.uuid())
            .fetch_optional(&mut **tx)
            .await?;
            let theirs = |yard: &Uuid| yards.covers((*yard).into());
            if !in_yards.is_some_and(|held_in| held_in.iter().any(theirs)) {
                return Err(BulletinError::NotHeld);
            }
            let row = ReferenceRow {
                id: row_id,
                subject: id.uuid(),
                kind: "bulletin_not_found",
                by,
                version: None,
                body: word,
            };
            let place = record_beside(tx, &row).await?;
            sqlx::query(
                "-- bulletins.insert_not_found
                 insert into bulletin_not_found (position, bulletin_id, clamp_id, body, recorded_at, recorded_by)
                 values ($1, $2, $3, $4, $5, $6)",
            )
            .bind(place.position.cast_signed())
            .bind(id.uuid())
            .bind(word.clamp_id.uuid())
            .bind(serde_json::to_value(word).map_err(StoreError::from)?)
            .bind(place.recorded_at.to_sqlx())
            .bind(by.uuid())
            .execute(&mut **tx)
            .await?;
            Ok(())
        })
        .await
    }

    /// Closes a bulletin if every clamp is accounted for.
    pub async fn close_bulletin(
        &self,
        row_id: Uuid,
        by: PersonId,
        id: BulletinId,
    ) -> Result<BulletinRecord, BulletinError> {
        self.run_tx("bulletins.close", async |tx| {
            // Nobody reads on meanwhile. In the order in which whoever reads on takes them.
            sqlx::query(
                "-- bulletins.stop_reading\nselect from ledger_reader where name = 'bulletins' for no key update",
            )
            .execute(&mut **tx)
            .await?;
            locked(tx, id).await?;
            let now = tx.now();
            let mut progress: Progress = counts(tx, id, now).await?;
            following(tx, id).await?.complete(&mut progress, &YardScope::All);
            if !progress.is_complete() {
                return Err(BulletinError::NotAccountedFor(Box::new(progress)));
            }
            let closure = Closure {
                scrapped: progress.all.scrapped,
                returned: progress.all.returned,
                not_found: progress.all.not_found,
            };
            let reference = self.reference_in(tx).await?;
            let row = ReferenceRow {
                id: row_id,
                subject: id.uuid(),
                kind: "bulletin_closed",
                by,
                version: None,
                body: &closure,
            };
            let place = record(tx, &row, Vec::new(), reference.version).await?;
            sqlx::query(
                "-- bulletins.insert_closure
                 insert into bulletin_closure (bulletin_id, body, position, closed_at, closed_by) values ($1, $2, $3, $4, $5)",
            )
            .bind(id.uuid())
            .bind(serde_json::to_value(&closure).map_err(StoreError::from)?)
            .bind(place.position.cast_signed())
            .bind(place.recorded_at.to_sqlx())
            .bind(by.uuid())
            .execute(&mut **tx)
            .await?;
            one(tx, id).await?.ok_or(BulletinError::NotFound)
        })
        .await
    }
}

/// Holds a bulletin that is open until the end of the transaction: nobody closes it, nobody goes on holding for it.
async fn locked(tx: &mut Tx, id: BulletinId) -> Result<(), BulletinError> {
    sqlx::query("-- bulletins.lock\nselect from bulletin_hold where bulletin_id = $1 for update")
        .bind(id.uuid())
        .execute(&mut **tx)
        .await?;
    match one(tx, id).await? {
        None => Err(BulletinError::NotFound),
        Some(bulletin) if bulletin.closed_at.is_some() => Err(BulletinError::Closed),
        Some(_) => Ok(()),
    }
}
