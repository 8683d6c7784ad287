//! Competences: dated, recorded and withdrawn by somebody else, acting at once on everything the person wrote.

use super::PeopleError;
use crate::reference::{ReferenceRow, queue_entries_of, record, word};
use crate::{Store, StoreError};
use clampward_domain::ids::{CompetenceId, PersonId};
use clampward_domain::words::CompetenceKind;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff_sqlx::{Date as SqlDate, Timestamp as SqlTimestamp, ToSqlx};
use serde::Serialize;
use sqlx::FromRow;
use uuid::Uuid;

/// What is recorded of a competence.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct CompetenceBody {
    /// The competence.
    pub competence_id: CompetenceId,
    /// What for.
    pub kind: CompetenceKind,
    /// First day.
    pub valid_from: Date,
    /// Last day.
    pub valid_until: Option<Date>,
    /// Certificate or other evidence.
    pub evidence: Option<String>,
}

/// What is recorded of a withdrawal.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct RevocationBody {
    /// The competence.
    pub competence_id: CompetenceId,
    /// Not valid from this day on.
    pub revoked_from: Date,
    /// Why.
    pub reason: Option<String>,
}

/// A competence with its withdrawal.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CompetenceRecord {
    /// Its id.
    pub id: CompetenceId,
    /// Whose.
    pub person: PersonId,
    /// What for.
    pub kind: CompetenceKind,
    /// First day.
    pub valid_from: Date,
    /// Last day.
    pub valid_until: Option<Date>,
    /// Evidence.
    pub evidence: Option<String>,
    /// When it was recorded.
    pub recorded_at: Timestamp,
    /// By whom.
    pub recorded_by: PersonId,
    /// The earliest day from which it was withdrawn.
    pub revoked_from: Option<Date>,
}

#[derive(FromRow)]
struct Row {
    id: Uuid,
    person_id: Uuid,
    kind: String,
    valid_from: SqlDate,
    valid_until: Option<SqlDate>,
    evidence: Option<String>,
    recorded_at: SqlTimestamp,
    recorded_by: Uuid,
    revoked_from: Option<SqlDate>,
}

impl Row {
    fn read(self) -> Result<CompetenceRecord, StoreError> {
        Ok(CompetenceRecord {
            id: CompetenceId::new(self.id),
            person: PersonId::new(self.person_id),
            kind: word("competence", "kind", self.id, &self.kind)?,
            valid_from: self.valid_from.to_jiff(),
            valid_until: self.valid_until.map(SqlDate::to_jiff),
            evidence: self.evidence,
            recorded_at: self.recorded_at.to_jiff(),
            recorded_by: PersonId::new(self.recorded_by),
            revoked_from: self.revoked_from.map(SqlDate::to_jiff),
        })
    }
}

impl Store {
    /// A person's competences, in the order of their ids.
    pub async fn competences(
        &self,
        person: PersonId,
        after: Option<CompetenceId>,
        limit: u32,
    ) -> Result<Vec<CompetenceRecord>, StoreError> {
        let rows: Vec<Row> = sqlx::query_as(
            "-- people.competences
             select c.id, c.person_id, c.kind, c.valid_from, c.valid_until, c.evidence, c.recorded_at, c.recorded_by,
                    (select min(r.revoked_from) from competence_revocation r where r.competence_id = c.id) as revoked_from
               from competence c
              where c.person_id = $1 and ($2::uuid is null or c.id > $2)
              order by c.id limit $3",
        )
        .bind(person.uuid())
        .bind(after.map(CompetenceId::uuid))
        .bind(i64::from(limit))
        .fetch_all(&self.inner.reader)
        .await?;
        rows.into_iter().map(Row::read).collect()
    }
    /// Records a competence of somebody else.
    pub async fn record_competence(
        &self,
        row_id: Uuid,
        by: PersonId,
        person: PersonId,
        body: &CompetenceBody,
    ) -> Result<CompetenceRecord, PeopleError> {
        if by == person {
            return Err(PeopleError::OwnCompetence);
        }
        self.run_tx("people.record_competence", async |tx| {
            let known: Option<i32> = sqlx::query_scalar("-- people.known\nselect 1 from person where id = $1 and kind = 'person'")
                .bind(person.uuid())
                .fetch_optional(&mut **tx)
                .await?;
            known.ok_or(PeopleError::NotFound)?;
            let reference = self.reference_in(tx).await?;
            let row = ReferenceRow { id: row_id, subject: person.uuid(), kind: "competence", by, version: None, body };
            let place = record(tx, &row, Vec::new(), reference.version).await?;
            sqlx::query(
                "-- people.insert_competence
                 insert into competence (id, person_id, kind, valid_from, valid_until, evidence, position, recorded_at, recorded_by)
                 values ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
            )
            .bind(body.competence_id.uuid())
            .bind(person.uuid())
            .bind(body.kind.code())
            .bind(body.valid_from.to_sqlx())
            .bind(body.valid_until.map(ToSqlx::to_sqlx))
            .bind(&body.evidence)
            .bind(place.position.cast_signed())
            .bind(place.recorded_at.to_sqlx())
            .bind(by.uuid())
            .execute(&mut **tx)
            .await?;
            queue_entries_of(tx, person, place.position).await?;
            Ok(CompetenceRecord {
                id: body.competence_id,
                person,
                kind: body.kind,
                valid_from: body.valid_from,
                valid_until: body.valid_until,
                evidence: body.evidence.clone(),
                recorded_at: place.recorded_at,
                recorded_by: by,
                revoked_from: None,
            })
        })
        .await
    }
    /// Withdraws a competence of somebody else from a day on. It may be withdrawn again from an earlier day only.
    pub async fn revoke_competence(
        &self,
        row_id: Uuid,
        by: PersonId,
        person: PersonId,
        body: &RevocationBody,
    ) -> Result<CompetenceRecord, PeopleError> {
        if by == person {
            return Err(PeopleError::OwnCompetence);
        }
        self.run_tx("people.revoke_competence", async |tx| {
            let reference = self.reference_in(tx).await?;
            let known: Option<Row> = sqlx::query_as(
                "-- people.lock_competence
                 select c.id, c.person_id, c.kind, c.valid_from, c.valid_until, c.evidence, c.recorded_at, c.recorded_by,
                        (select min(r.revoked_from) from competence_revocation r where r.competence_id = c.id) as revoked_from
                   from competence c where c.id = $1 and c.person_id = $2",
            )
            .bind(body.competence_id.uuid())
            .bind(person.uuid())
            .fetch_optional(&mut **tx)
            .await?;
            let mut known = known.ok_or(PeopleError::NotFound)?.read()?;
            if known.revoked_from.is_some_and(|already| already <= body.revoked_from) {
                return Err(PeopleError::AlreadyRevoked);
            }
            let row =
                ReferenceRow { id: row_id, subject: person.uuid(), kind: "competence_revoked", by, version: None, body };
            let place = record(tx, &row, Vec::new(), reference.version).await?;
            sqlx::query(
                "-- people.insert_revocation
                 insert into competence_revocation (competence_id, revoked_from, reason, position, recorded_at, recorded_by)
                 values ($1, $2, $3, $4, $5, $6)",
            )
            .bind(body.competence_id.uuid())
            .bind(body.revoked_from.to_sqlx())
            .bind(&body.reason)
            .bind(place.position.cast_signed())
            .bind(place.recorded_at.to_sqlx())
            .bind(by.uuid())
            .execute(&mut **tx)
            .await?;
            queue_entries_of(tx, person, place.position).await?;
            known.revoked_from = Some(body.revoked_from);
            Ok(known)
        })
        .await
    }
}
