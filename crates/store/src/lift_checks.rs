//! The journal of lift checks: every question and its answer, kept beside the ledger and partitioned by month.
//!
//! A lift check is judged anew each time it is asked; this module only keeps what was answered.

use crate::{Store, StoreError};
use clampward_domain::ids::{ClampId, LiftCheckId, PersonId, YardId};
use jiff::Timestamp;
use jiff_sqlx::ToSqlx;
use sqlx::types::Json;
use uuid::Uuid;

/// Months for which partitions are made ahead.
const MONTHS_AHEAD: i32 = 6;

/// A lift check and its answer.
#[derive(Clone, Debug)]
pub struct LiftCheckRecord {
    /// Its id, chosen by the caller; asked again, it stands here again.
    pub id: LiftCheckId,
    /// When it was asked.
    pub asked_at: Timestamp,
    /// By whom.
    pub asked_by: PersonId,
    /// The clamps.
    pub clamps: Vec<ClampId>,
    /// The yards that have them.
    pub yards: Vec<YardId>,
    /// `clear` or `stop`.
    pub decision: String,
    /// Highest position of the ledger that the answer knew.
    pub position: u64,
    /// The question.
    pub request: serde_json::Value,
    /// The answer.
    pub answer: serde_json::Value,
}

impl Store {
    /// Keeps a lift check. What is not kept is not answered.
    pub async fn keep_lift_check(&self, check: &LiftCheckRecord) -> Result<(), StoreError> {
        let clamps: Vec<Uuid> = check.clamps.iter().map(|clamp| clamp.uuid()).collect();
        let yards: Vec<Uuid> = check.yards.iter().map(|yard| yard.uuid()).collect();
        sqlx::query(
            "-- lift_checks.keep\n\
             insert into lift_check (id, asked_at, asked_by, clamps, yards, decision, position, request, answer) \
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
        )
        .bind(check.id.uuid())
        .bind(check.asked_at.to_sqlx())
        .bind(check.asked_by.uuid())
        .bind(clamps)
        .bind(yards)
        .bind(&check.decision)
        .bind(check.position.cast_signed())
        .bind(Json(&check.request))
        .bind(Json(&check.answer))
        .execute(&self.inner.door)
        .await?;
        Ok(())
    }

    /// Every answer that was given under an id, oldest first.
    pub async fn lift_check_answers(&self, id: LiftCheckId) -> Result<Vec<serde_json::Value>, StoreError> {
        let answers: Vec<Json<serde_json::Value>> = sqlx::query_scalar(
            "-- lift_checks.answers\nselect answer from lift_check where id = $1 order by asked_at limit 200",
        )
        .bind(id.uuid())
        .fetch_all(&self.inner.door)
        .await?;
        Ok(answers.into_iter().map(|Json(answer)| answer).collect())
    }

    /// Makes the partitions of this month and the coming ones.
    pub async fn prepare_lift_check_months(&self) -> Result<(), StoreError> {
        let first = clampward_domain::calendar::Zone::utc().date_at(self.now());
        sqlx::query("-- lift_checks.prepare_months\nselect prepare_lift_check_months($1, $2)")
            .bind(first.to_sqlx())
            .bind(MONTHS_AHEAD)
            .execute(&self.inner.door)
            .await?;
        Ok(())
    }
}
