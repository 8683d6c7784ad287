//! Opening a bulletin.

use super::list::one;
use super::{BulletinError, BulletinRecord};
use crate::reference::{ReferenceRow, record};
use crate::{Store, StoreError};
use clampward_domain::bulletin::Bulletin;
use clampward_domain::ids::{BulletinId, PersonId};
use jiff_sqlx::ToSqlx;
use serde::Serialize;
use uuid::Uuid;

/// What the ledger keeps of it.
#[derive(Serialize)]
struct Body<'a> {
    bulletin: &'a Bulletin,
}

impl Store {
    /// Opens a bulletin: from its recording on every clamp in scope is to be held, whether it is known yet or not.
    pub async fn open_bulletin(
        &self,
        row_id: Uuid,
        by: PersonId,
        id: BulletinId,
        bulletin: &Bulletin,
    ) -> Result<BulletinRecord, BulletinError> {
        self.run_tx("bulletins.open", async |tx| {
            let reference = self.reference_in(tx).await?;
            let row = ReferenceRow {
                id: row_id,
                subject: id.uuid(),
                kind: "bulletin",
                by,
                version: None,
                body: &Body { bulletin },
            };
            let place = record(tx, &row, Vec::new(), reference.version).await?;
            sqlx::query(
                "-- bulletins.insert
                 insert into bulletin (id, issued_by, code, body, position, opened_at, opened_by)
                 values ($1, $2, $3, $4, $5, $6, $7)",
            )
            .bind(id.uuid())
            .bind(&bulletin.issued_by)
            .bind(&bulletin.code)
            .bind(serde_json::to_value(bulletin).map_err(StoreError::from)?)
            .bind(place.position.cast_signed())
            .bind(place.recorded_at.to_sqlx())
            .bind(by.uuid())
            .execute(&mut **tx)
            .await?;
            // Nothing is to be gone through for one that bars nothing.
            sqlx::query(
                "-- bulletins.to_hold\ninsert into bulletin_hold (bulletin_id, done_at) values ($1, case when $2 then null else $3 end)",
            )
            .bind(id.uuid())
            .bind(bulletin.class.bars())
            .bind(place.recorded_at.to_sqlx())
            .execute(&mut **tx)
            .await?;
            one(tx, id).await?.ok_or(BulletinError::NotFound)
        })
        .await
    }
}
