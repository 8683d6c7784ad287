//! Reading reference data back as the domain sees them, as they are now or as they were known at a position.

use super::row::read_body;
use crate::people::accounts::scope;
use crate::reference::{word, words};
use crate::{Store, StoreError};
use clampward_domain::bulletin::Opened;
use clampward_domain::ids::{BulletinId, ClampId, CompetenceId, ModelId, PersonId, YardId};
use clampward_domain::reference::{
    Competence, Grant, Model, Person, Reference, Revocation, Version, Versions, Yard,
};
use jiff_sqlx::{Date as SqlDate, Timestamp as SqlTimestamp};
use sqlx::{FromRow, PgConnection};
use std::collections::BTreeMap;
use std::sync::Arc;
use uuid::Uuid;

/// Loads the snapshot of the present reference version: version and last position are read together, and rows beyond
/// that position are left out, so that the snapshot is exactly that version's.
pub async fn load(connection: &mut PgConnection) -> Result<Reference, StoreError> {
    let (version, position): (i64, i64) =
        sqlx::query_as("-- reference.head\nselect reference_version, position from ledger_head")
            .fetch_one(&mut *connection)
            .await?;
    up_to(connection, version.unsigned_abs(), position).await
}

/// Loads reference data as they were known at a ledger position. Such a snapshot answers questions about the past and
/// is never judged by.
pub async fn load_known_at(connection: &mut PgConnection, position: u64) -> Result<Reference, StoreError> {
    up_to(connection, 0, i64::try_from(position).unwrap_or(i64::MAX)).await
}

impl Store {
    /// Reference data at this moment, from the process where its version is kept there.
    pub async fn reference(&self) -> Result<Arc<Reference>, StoreError> {
        let mut connection = self.inner.reader.acquire().await?;
        let version = super::current_version(&mut connection).await?;
        self.snapshot(&mut connection, version).await
    }
}

async fn up_to(connection: &mut PgConnection, version: u64, position: i64) -> Result<Reference, StoreError> {
    Ok(Reference {
        version,
        yards: load_yards(connection, position).await?,
        models: load_models(connection, position).await?,
        people: load_people(connection, position).await?,
        bulletins: load_bulletins(connection, position).await?,
    })
}

#[derive(FromRow)]
struct BulletinRow {
    id: Uuid,
    body: serde_json::Value,
    position: i64,
    opened_at: SqlTimestamp,
    opened_by: Uuid,
    held_at: Option<SqlTimestamp>,
    failed: Vec<Uuid>,
    closed_at: Option<SqlTimestamp>,
}

async fn load_bulletins(
    connection: &mut PgConnection,
    position: i64,
) -> Result<BTreeMap<BulletinId, Opened>, StoreError> {
    let rows: Vec<BulletinRow> = sqlx::query_as(
        "-- reference.load_bulletins
         select b.id, b.body, b.position, b.opened_at, b.opened_by, case when h.held_position <= $1 then h.done_at end as held_at, h.failed, c.closed_at
           from bulletin as b join bulletin_hold as h on h.bulletin_id = b.id left join bulletin_closure as c on c.bulletin_id = b.id and c.position <= $1
          where b.position <= $1",
    )
    .bind(position)
    .fetch_all(connection)
    .await?;
    rows.into_iter()
        .map(|row| {
            let opened = Opened {
                bulletin: Arc::new(read_body("bulletin", row.id, row.body)?),
                position: row.position.unsigned_abs(),
                opened_at: row.opened_at.to_jiff(),
                opened_by: PersonId::new(row.opened_by),
                held_at: row.held_at.map(|at| at.to_jiff()),
                failed: row.failed.into_iter().map(ClampId::new).collect(),
                closed_at: row.closed_at.map(|at| at.to_jiff()),
            };
            Ok((BulletinId::new(row.id), opened))
        })
        .collect()
}

#[derive(FromRow)]
struct VersionRow {
    id: Uuid,
    version: i32,
    starts_at: SqlTimestamp,
    recorded_at: SqlTimestamp,
    recorded_by: Uuid,
    body: serde_json::Value,
}

impl VersionRow {
    fn version<T>(&self, value: T) -> Version<T> {
        Version {
            version: self.version.unsigned_abs(),
            from: self.starts_at.to_jiff(),
            recorded_at: self.recorded_at.to_jiff(),
            recorded_by: PersonId::new(self.recorded_by),
            value: Arc::new(value),
        }
    }
}

async fn load_yards(
    connection: &mut PgConnection,
    position: i64,
) -> Result<BTreeMap<YardId, Versions<Yard>>, StoreError> {
    let rows: Vec<VersionRow> = sqlx::query_as(
        "-- reference.load_yards
         select yard_id as id, version, starts_at, recorded_at, recorded_by, body
           from yard_version where position <= $1 order by yard_id, version",
    )
    .bind(position)
    .fetch_all(connection)
    .await?;
    let mut yards: BTreeMap<YardId, Versions<Yard>> = BTreeMap::new();
    for mut row in rows {
        let body = read_body("yard_version", row.id, std::mem::take(&mut row.body))?;
        yards
            .entry(YardId::new(row.id))
            .or_default()
            .0
            .push(row.version(body));
    }
    Ok(yards)
}

async fn load_models(
    connection: &mut PgConnection,
    position: i64,
) -> Result<BTreeMap<ModelId, Versions<Model>>, StoreError> {
    let rows: Vec<VersionRow> = sqlx::query_as(
        "-- reference.load_models
         select model_id as id, version, starts_at, recorded_at, recorded_by, body
           from model_version where position <= $1 order by model_id, version",
    )
    .bind(position)
    .fetch_all(connection)
    .await?;
    let mut models: BTreeMap<ModelId, Versions<Model>> = BTreeMap::new();
    for mut row in rows {
        let body = read_body("model_version", row.id, std::mem::take(&mut row.body))?;
        models
            .entry(ModelId::new(row.id))
            .or_default()
            .0
            .push(row.version(body));
    }
    Ok(models)
}

#[derive(FromRow)]
struct GrantRow {
    person_id: Uuid,
    name: String,
    enabled: bool,
    roles: Vec<String>,
    all_yards: bool,
    yards: Vec<Uuid>,
    recorded_at: SqlTimestamp,
}

#[derive(FromRow)]
struct CompetenceRow {
    id: Uuid,
    person_id: Uuid,
    kind: String,
    valid_from: SqlDate,
    valid_until: Option<SqlDate>,
    recorded_at: SqlTimestamp,
    recorded_by: Uuid,
    revoked_from: Option<SqlDate>,
    revoked_at: Option<SqlTimestamp>,
}

async fn load_people(
    connection: &mut PgConnection,
    position: i64,
) -> Result<BTreeMap<PersonId, Person>, StoreError> {
    let mut people: BTreeMap<PersonId, Person> = BTreeMap::new();
    let rows: Vec<GrantRow> = sqlx::query_as(
        "-- reference.load_grants
         select person_id, name, enabled, roles, all_yards, yards, recorded_at
           from person_version where position <= $1 order by person_id, version",
    )
    .bind(position)
    .fetch_all(&mut *connection)
    .await?;
    for row in rows {
        let person = people.entry(PersonId::new(row.person_id)).or_default();
        let roles = words("person_version", "roles", row.person_id, &row.roles)?;
        person.name = row.name;
        person.grants.push(Grant {
            recorded_at: row.recorded_at.to_jiff(),
            // Whoever may not sign in any more holds no role any more.
            roles: if row.enabled { roles } else { Vec::new() },
            yards: scope(row.all_yards, row.yards),
        });
    }
    for row in load_competences(connection, position).await? {
        let person = people.entry(PersonId::new(row.person_id)).or_default();
        person.competences.push(Competence {
            id: CompetenceId::new(row.id),
            kind: word("competence", "kind", row.id, &row.kind)?,
            valid_from: row.valid_from.to_jiff(),
            valid_until: row.valid_until.map(SqlDate::to_jiff),
            recorded_at: row.recorded_at.to_jiff(),
            recorded_by: PersonId::new(row.recorded_by),
            revoked: row
                .revoked_from
                .zip(row.revoked_at)
                .map(|(from, recorded_at)| Revocation {
                    from: from.to_jiff(),
                    recorded_at: recorded_at.to_jiff(),
                }),
        });
    }
    Ok(people)
}

async fn load_competences(
    connection: &mut PgConnection,
    position: i64,
) -> Result<Vec<CompetenceRow>, StoreError> {
    Ok(sqlx::query_as(
        "-- reference.load_competences
         select c.id, c.person_id, c.kind, c.valid_from, c.valid_until, c.recorded_at, c.recorded_by,
                r.revoked_from, r.recorded_at as revoked_at
           from competence c
           left join lateral (
             select r.revoked_from, r.recorded_at from competence_revocation r
              where r.competence_id = c.id and r.position <= $1
              order by r.revoked_from, r.position limit 1) r on true
          where c.position <= $1 order by c.person_id, c.id",
    )
    .bind(position)
    .fetch_all(connection)
    .await?)
}
