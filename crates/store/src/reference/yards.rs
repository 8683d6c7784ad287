//! Yards: versions that start on a civil day there, never overwritten.

use super::row::{ReferenceError, ReferenceRow, VersionNumber, read_body, record};
use crate::{Store, StoreError, Tx};
use clampward_domain::ids::{PersonId, YardId};
use clampward_domain::reference::{Yard, YardScope};
use jiff::Timestamp;
use jiff::civil::Date;
use jiff_sqlx::{Date as SqlDate, Timestamp as SqlTimestamp, ToSqlx};
use serde::Serialize;
use sqlx::{FromRow, PgConnection};
use uuid::Uuid;

/// The newest recorded version of a yard, which may start on a later day.
#[derive(Clone, Debug, PartialEq)]
pub struct YardRecord {
    /// The yard.
    pub id: YardId,
    /// Version, from 1.
    pub version: VersionNumber,
    /// First day of this version there; the first version starts with its recording.
    pub starts_on: Option<Date>,
    /// In force from here on.
    pub starts_at: Timestamp,
    /// When it was recorded.
    pub recorded_at: Timestamp,
    /// What it says.
    pub body: Yard,
}

/// What the ledger keeps of a version.
#[derive(Serialize)]
struct Body<'a> {
    starts_on: Option<Date>,
    #[serde(skip_serializing_if = "Option::is_none")]
    reason: Option<&'a str>,
    yard: &'a Yard,
}

/// The next version of a yard.
#[derive(Clone, Debug)]
pub struct YardChange<'a> {
    /// The version that it follows.
    pub expected: VersionNumber,
    /// First day of the new version.
    pub starts_on: Date,
    /// Why, where a reason is asked for.
    pub reason: Option<&'a str>,
    /// What it says.
    pub body: &'a Yard,
}

#[derive(FromRow)]
struct Row {
    yard_id: Uuid,
    version: i32,
    starts_on: Option<SqlDate>,
    starts_at: SqlTimestamp,
    recorded_at: SqlTimestamp,
    body: serde_json::Value,
}

impl Row {
    fn read(self) -> Result<YardRecord, StoreError> {
        Ok(YardRecord {
            id: YardId::new(self.yard_id),
            version: self.version.unsigned_abs(),
            starts_on: self.starts_on.map(SqlDate::to_jiff),
            starts_at: self.starts_at.to_jiff(),
            recorded_at: self.recorded_at.to_jiff(),
            body: read_body("yard_version", self.yard_id, self.body)?,
        })
    }
}

impl Store {
    /// The newest version of a yard, if it is one of `yards`.
    pub async fn yard(&self, yards: &YardScope, yard: YardId) -> Result<Option<YardRecord>, StoreError> {
        if !yards.covers(yard) {
            return Ok(None);
        }
        let mut connection = self.inner.reader.acquire().await?;
        newest(&mut connection, yard).await
    }
    /// Yards in the order of their ids, after `after`, as far as they are among `yards`.
    pub async fn yards(
        &self,
        yards: &YardScope,
        after: Option<YardId>,
        limit: u32,
    ) -> Result<Vec<YardRecord>, StoreError> {
        let listed: Option<Vec<Uuid>> = match yards {
            YardScope::All => None,
            YardScope::Some(yards) => Some(yards.iter().map(|yard| yard.uuid()).collect()),
        };
        let rows: Vec<Row> = sqlx::query_as(
            "-- reference.yards
             select v.yard_id, v.version, v.starts_on, v.starts_at, v.recorded_at, v.body
               from yard y join yard_version v on v.yard_id = y.id and v.version = y.version
              where ($1::uuid is null or y.id > $1) and ($2::uuid[] is null or y.id = any ($2))
              order by y.id limit $3",
        )
        .bind(after.map(YardId::uuid))
        .bind(listed)
        .bind(i64::from(limit))
        .fetch_all(&self.inner.reader)
        .await?;
        rows.into_iter().map(Row::read).collect()
    }
    /// Which of these yards do not exist.
    pub async fn unknown_yards(&self, yards: &[YardId]) -> Result<Vec<YardId>, StoreError> {
        let wanted: Vec<Uuid> = yards.iter().map(|yard| yard.uuid()).collect();
        let unknown: Vec<Uuid> = sqlx::query_scalar(
            "-- reference.unknown_yards
             select w.id from unnest($1::uuid[]) as w(id) where not exists (select from yard y where y.id = w.id) order by w.id",
        )
        .bind(wanted)
        .fetch_all(&self.inner.reader)
        .await?;
        Ok(unknown.into_iter().map(YardId::new).collect())
    }
    /// Records a new yard, in force from its recording.
    pub async fn create_yard(
        &self,
        row_id: Uuid,
        by: PersonId,
        yard: YardId,
        body: &Yard,
    ) -> Result<YardRecord, ReferenceError> {
        self.run_tx("reference.create_yard", async |tx| {
            sqlx::query("-- reference.insert_yard\ninsert into yard (id, code, version) values ($1, $2, 1)")
                .bind(yard.uuid())
                .bind(&body.code)
                .execute(&mut **tx)
                .await?;
            write(
                self,
                tx,
                Version {
                    row_id,
                    by,
                    yard,
                    number: 1,
                    start: None,
                    reason: None,
                    body,
                },
            )
            .await
        })
        .await
    }
    /// Records the next version of a yard, from the start of a later day there, if `expected` is still the newest.
    pub async fn change_yard(
        &self,
        row_id: Uuid,
        by: PersonId,
        yard: YardId,
        change: &YardChange<'_>,
    ) -> Result<YardRecord, ReferenceError> {
        let YardChange {
            expected,
            starts_on,
            reason,
            body,
        } = *change;
        self.run_tx("reference.change_yard", async |tx| {
            sqlx::query("-- reference.lock_yard\nselect 1 from yard where id = $1 for update")
                .bind(yard.uuid())
                .execute(&mut **tx)
                .await?;
            let before = newest(tx, yard).await?.ok_or(ReferenceError::NotFound)?;
            if before.version != expected {
                return Err(ReferenceError::Stale);
            }
            let starts_at = body.time_zone.start_of(starts_on);
            if starts_at < before.starts_at {
                return Err(ReferenceError::LaterVersionPending);
            }
            let number = before.version.saturating_add(1);
            sqlx::query("-- reference.update_yard\nupdate yard set code = $2, version = $3 where id = $1")
                .bind(yard.uuid())
                .bind(&body.code)
                .bind(i32::try_from(number).unwrap_or(i32::MAX))
                .execute(&mut **tx)
                .await?;
            let start = Some((starts_on, starts_at));
            let written = write(
                self,
                tx,
                Version {
                    row_id,
                    by,
                    yard,
                    number,
                    start,
                    reason,
                    body,
                },
            )
            .await?;
            Ok(written)
        })
        .await
    }
}

struct Version<'a> {
    row_id: Uuid,
    by: PersonId,
    yard: YardId,
    number: VersionNumber,
    start: Option<(Date, Timestamp)>,
    reason: Option<&'a str>,
    body: &'a Yard,
}

async fn write(store: &Store, tx: &mut Tx, version: Version<'_>) -> Result<YardRecord, ReferenceError> {
    let Version {
        row_id,
        by,
        yard,
        number,
        start,
        reason,
        body,
    } = version;
    let reference = store.reference_in(tx).await?;
    let starts_on = start.map(|(day, _)| day);
    let said = Body {
        starts_on,
        reason,
        yard: body,
    };
    let row = ReferenceRow {
        id: row_id,
        subject: yard.uuid(),
        kind: "yard",
        by,
        version: Some(u64::from(number)),
        body: &said,
    };
    let place = record(tx, &row, vec![yard], reference.version).await?;
    let starts_at = start.map_or(place.recorded_at, |(_, instant)| instant);
    sqlx::query(
        "-- reference.insert_yard_version
         insert into yard_version (yard_id, version, starts_on, starts_at, body, position, recorded_at, recorded_by)
         values ($1, $2, $3, $4, $5, $6, $7, $8)",
    )
    .bind(yard.uuid())
    .bind(i32::try_from(number).unwrap_or(i32::MAX))
    .bind(starts_on.map(ToSqlx::to_sqlx))
    .bind(starts_at.to_sqlx())
    .bind(serde_json::to_value(body).map_err(StoreError::from)?)
    .bind(place.position.cast_signed())
    .bind(place.recorded_at.to_sqlx())
    .bind(by.uuid())
    .execute(&mut **tx)
    .await?;
    sqlx::query(
        "-- reference.queue_clamps_of_yard
         insert into pending_reassessment (clamp_id, cause_position)
         select c.id, $2 from clamp c where c.yards @> array[$1::uuid]
         on conflict do nothing",
    )
    .bind(yard.uuid())
    .bind(place.position.cast_signed())
    .execute(&mut **tx)
    .await?;
    Ok(YardRecord {
        id: yard,
        version: number,
        starts_on,
        starts_at,
        recorded_at: place.recorded_at,
        body: body.clone(),
    })
}

async fn newest(connection: &mut PgConnection, yard: YardId) -> Result<Option<YardRecord>, StoreError> {
    let row: Option<Row> = sqlx::query_as(
        "-- reference.yard
         select v.yard_id, v.version, v.starts_on, v.starts_at, v.recorded_at, v.body
           from yard y join yard_version v on v.yard_id = y.id and v.version = y.version
          where y.id = $1",
    )
    .bind(yard.uuid())
    .fetch_optional(connection)
    .await?;
    row.map(Row::read).transpose()
}
