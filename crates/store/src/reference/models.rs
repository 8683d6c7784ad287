//! Models: versions that start on a civil day (UTC), never overwritten.

use super::row::{ReferenceError, ReferenceRow, VersionNumber, read_body, record};
use crate::{Store, StoreError, Tx};
use clampward_domain::calendar::Zone;
use clampward_domain::ids::{ModelId, PersonId};
use clampward_domain::reference::Model;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff_sqlx::{Date as SqlDate, Timestamp as SqlTimestamp, ToSqlx};
use serde::Serialize;
use sqlx::{FromRow, PgConnection};
use uuid::Uuid;

/// The newest recorded version of a model, which may start on a later day.
#[derive(Clone, Debug, PartialEq)]
pub struct ModelRecord {
    /// The model.
    pub id: ModelId,
    /// Version, from 1.
    pub version: VersionNumber,
    /// First day of this version (UTC); the first version starts with its recording.
    pub starts_on: Option<Date>,
    /// In force from here on.
    pub starts_at: Timestamp,
    /// When it was recorded.
    pub recorded_at: Timestamp,
    /// What it says.
    pub body: Model,
}

/// What the ledger keeps of a version.
#[derive(Serialize)]
struct Body<'a> {
    starts_on: Option<Date>,
    #[serde(skip_serializing_if = "Option::is_none")]
    reason: Option<&'a str>,
    model: &'a Model,
}

/// The next version of a model.
#[derive(Clone, Debug)]
pub struct ModelChange<'a> {
    /// The version that it follows.
    pub expected: VersionNumber,
    /// First day of the new version.
    pub starts_on: Date,
    /// Why, where a reason is asked for.
    pub reason: Option<&'a str>,
    /// What it says.
    pub body: &'a Model,
}

#[derive(FromRow)]
struct Row {
    model_id: Uuid,
    version: i32,
    starts_on: Option<SqlDate>,
    starts_at: SqlTimestamp,
    recorded_at: SqlTimestamp,
    body: serde_json::Value,
}

impl Row {
    fn read(self) -> Result<ModelRecord, StoreError> {
        Ok(ModelRecord {
            id: ModelId::new(self.model_id),
            version: self.version.unsigned_abs(),
            starts_on: self.starts_on.map(SqlDate::to_jiff),
            starts_at: self.starts_at.to_jiff(),
            recorded_at: self.recorded_at.to_jiff(),
            body: read_body("model_version", self.model_id, self.body)?,
        })
    }
}

impl Store {
    /// The newest version of a model.
    pub async fn model(&self, model: ModelId) -> Result<Option<ModelRecord>, StoreError> {
        let mut connection = self.inner.reader.acquire().await?;
        newest(&mut connection, model).await
    }
    /// Models in the order of their ids, after `after`, of one maker or of all.
    pub async fn models(
        &self,
        maker: Option<&str>,
        after: Option<ModelId>,
        limit: u32,
    ) -> Result<Vec<ModelRecord>, StoreError> {
        let rows: Vec<Row> = sqlx::query_as(
            "-- reference.models
             select v.model_id, v.version, v.starts_on, v.starts_at, v.recorded_at, v.body
               from model m join model_version v on v.model_id = m.id and v.version = m.version
              where ($1::uuid is null or m.id > $1) and ($2::text is null or lower(m.maker) = lower($2))
              order by m.id limit $3",
        )
        .bind(after.map(ModelId::uuid))
        .bind(maker)
        .bind(i64::from(limit))
        .fetch_all(&self.inner.reader)
        .await?;
        rows.into_iter().map(Row::read).collect()
    }
    /// Records a new model, in force from its recording.
    pub async fn create_model(
        &self,
        row_id: Uuid,
        by: PersonId,
        model: ModelId,
        body: &Model,
    ) -> Result<ModelRecord, ReferenceError> {
        self.create_model_because(row_id, by, model, None, body).await
    }
    /// Records a new model with the reason for what it loosens.
    pub async fn create_model_because(
        &self,
        row_id: Uuid,
        by: PersonId,
        model: ModelId,
        reason: Option<&str>,
        body: &Model,
    ) -> Result<ModelRecord, ReferenceError> {
        self.run_tx("reference.create_model", async |tx| {
            sqlx::query("-- reference.insert_model\ninsert into model (id, maker, name, version) values ($1, $2, $3, 1)")
                .bind(model.uuid())
                .bind(&body.maker)
                .bind(&body.model)
                .execute(&mut **tx)
                .await?;
            write(self, tx, Version { row_id, by, model, number: 1, start: None, reason, body }).await
        })
        .await
    }
    /// Records the next version of a model, from the start of a later day in UTC, if `expected` is still the newest.
    pub async fn change_model(
        &self,
        row_id: Uuid,
        by: PersonId,
        model: ModelId,
        change: &ModelChange<'_>,
    ) -> Result<ModelRecord, ReferenceError> {
        let ModelChange {
            expected,
            starts_on,
            reason,
            body,
        } = *change;
        self.run_tx("reference.change_model", async |tx| {
            sqlx::query("-- reference.lock_model\nselect 1 from model where id = $1 for update")
                .bind(model.uuid())
                .execute(&mut **tx)
                .await?;
            let before = newest(tx, model).await?.ok_or(ReferenceError::NotFound)?;
            if before.version != expected {
                return Err(ReferenceError::Stale);
            }
            let starts_at = Zone::utc().start_of(starts_on);
            if starts_at < before.starts_at {
                return Err(ReferenceError::LaterVersionPending);
            }
            let number = before.version.saturating_add(1);
            sqlx::query("-- reference.update_model\nupdate model set version = $2 where id = $1")
                .bind(model.uuid())
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
                    model,
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
    model: ModelId,
    number: VersionNumber,
    start: Option<(Date, Timestamp)>,
    reason: Option<&'a str>,
    body: &'a Model,
}

async fn write(store: &Store, tx: &mut Tx, version: Version<'_>) -> Result<ModelRecord, ReferenceError> {
    let Version {
        row_id,
        by,
        model,
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
        model: body,
    };
    let row = ReferenceRow {
        id: row_id,
        subject: model.uuid(),
        kind: "model",
        by,
        version: Some(u64::from(number)),
        body: &said,
    };
    let place = record(tx, &row, Vec::new(), reference.version).await?;
    let starts_at = start.map_or(place.recorded_at, |(_, instant)| instant);
    sqlx::query(
        "-- reference.insert_model_version
         insert into model_version (model_id, version, starts_on, starts_at, body, position, recorded_at, recorded_by)
         values ($1, $2, $3, $4, $5, $6, $7, $8)",
    )
    .bind(model.uuid())
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
        "-- reference.queue_clamps_of_model
         insert into pending_reassessment (clamp_id, cause_position)
         select c.id, $2 from clamp c where c.model_id = $1
         on conflict do nothing",
    )
    .bind(model.uuid())
    .bind(place.position.cast_signed())
    .execute(&mut **tx)
    .await?;
    Ok(ModelRecord {
        id: model,
        version: number,
        starts_on,
        starts_at,
        recorded_at: place.recorded_at,
        body: body.clone(),
    })
}

async fn newest(connection: &mut PgConnection, model: ModelId) -> Result<Option<ModelRecord>, StoreError> {
    let row: Option<Row> = sqlx::query_as(
        "-- reference.model
         select v.model_id, v.version, v.starts_on, v.starts_at, v.recorded_at, v.body
           from model y join model_version v on v.model_id = y.id and v.version = y.version
          where y.id = $1",
    )
    .bind(model.uuid())
    .fetch_optional(connection)
    .await?;
    row.map(Row::read).transpose()
}
