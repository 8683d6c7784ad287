//! Bulletins as they were recorded.

use crate::reference::read_body;
use crate::{Store, StoreError};
use clampward_domain::bulletin::Bulletin;
use clampward_domain::ids::{BulletinId, PersonId};
use jiff::Timestamp;
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use sqlx::PgConnection;
use uuid::Uuid;

/// A bulletin with what became of it.
#[derive(Clone, Debug, PartialEq)]
pub struct BulletinRecord {
    /// Its id.
    pub id: BulletinId,
    /// What it says.
    pub bulletin: Bulletin,
    /// When it was opened.
    pub opened_at: Timestamp,
    /// By whom.
    pub opened_by: PersonId,
    /// When every clamp that was there then had been gone through.
    pub held_at: Option<Timestamp>,
    /// When it was closed.
    pub closed_at: Option<Timestamp>,
    /// By whom.
    pub closed_by: Option<PersonId>,
}

#[derive(sqlx::FromRow)]
struct Row {
    id: Uuid,
    body: serde_json::Value,
    opened_at: SqlTimestamp,
    opened_by: Uuid,
    done_at: Option<SqlTimestamp>,
    closed_at: Option<SqlTimestamp>,
    closed_by: Option<Uuid>,
}

impl Row {
    fn read(self) -> Result<BulletinRecord, StoreError> {
        Ok(BulletinRecord {
            id: BulletinId::new(self.id),
            bulletin: read_body("bulletin", self.id, self.body)?,
            opened_at: self.opened_at.to_jiff(),
            opened_by: PersonId::new(self.opened_by),
            held_at: self.done_at.map(SqlTimestamp::to_jiff),
            closed_at: self.closed_at.map(SqlTimestamp::to_jiff),
            closed_by: self.closed_by.map(PersonId::new),
        })
    }
}

impl Store {
    /// Bulletins, those opened last first, those opened after `after`; the open or the closed ones only, if that is asked for.
    pub async fn bulletins(
        &self,
        open: Option<bool>,
        after: Option<(Timestamp, BulletinId)>,
        limit: u32,
    ) -> Result<Vec<BulletinRecord>, StoreError> {
        let rows: Vec<Row> = sqlx::query_as(
            "-- bulletins.list
             select b.id, b.body, b.opened_at, b.opened_by, h.done_at, c.closed_at, c.closed_by
               from bulletin as b
               join bulletin_hold as h on h.bulletin_id = b.id
               left join bulletin_closure as c on c.bulletin_id = b.id
              where ($1::boolean is null or (c.bulletin_id is null) = $1)
                and ($2::timestamptz is null or (b.opened_at, b.id) < ($2, $3))
              order by b.opened_at desc, b.id desc limit $4",
        )
        .bind(open)
        .bind(after.map(|(at, _)| at.to_sqlx()))
        .bind(after.map(|(_, id)| id.uuid()))
        .bind(i64::from(limit))
        .fetch_all(&self.inner.reader)
        .await?;
        rows.into_iter().map(Row::read).collect()
    }

    /// A bulletin.
    pub async fn bulletin(&self, id: BulletinId) -> Result<Option<BulletinRecord>, StoreError> {
        let mut connection = self.inner.reader.acquire().await?;
        one(&mut connection, id).await
    }
}

pub(super) async fn one(
    connection: &mut PgConnection,
    id: BulletinId,
) -> Result<Option<BulletinRecord>, StoreError> {
    let row: Option<Row> = sqlx::query_as(
        "-- bulletins.read
         select b.id, b.body, b.opened_at, b.opened_by, h.done_at, c.closed_at, c.closed_by
           from bulletin as b
           join bulletin_hold as h on h.bulletin_id = b.id
           left join bulletin_closure as c on c.bulletin_id = b.id
          where b.id = $1",
    )
    .bind(id.uuid())
    .fetch_optional(connection)
    .await?;
    row.map(Row::read).transpose()
}
