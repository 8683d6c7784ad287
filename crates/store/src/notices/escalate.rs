//! Moments: a defect's date that passes, and a notice that nobody saw to.

use super::clamps;
use super::raise::{ToTell, raise};
use crate::tx::Command;
use crate::{Store, StoreError, Tx};
use clampward_domain::ids::{ClampId, YardId};
use clampward_domain::notice::{About, NoticeKind, Occasion};
use jiff::{SignedDuration, Timestamp};
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use sqlx::types::Json;
use uuid::Uuid;

/// Between two looks, each of which is written down.
const BETWEEN_LOOKS: SignedDuration = SignedDuration::from_secs(10);
/// Subjects that go a step further in one transaction.
const SUBJECTS: i64 = 200;

impl Store {
    /// Raises what the passing of moments brings, since the last look; nothing if somebody else is at it.
    pub async fn notices_of_moments(&self) -> Result<Option<u64>, StoreError> {
        self.run_command("notices.of_moments", &Look { store: self })
            .await
    }

    /// Takes notices that nobody acknowledged a step further. Answers how many are new, and whether there may be more.
    pub async fn escalate_notices(&self) -> Result<(u64, bool), StoreError> {
        self.run_command("notices.escalate", &Escalate { store: self })
            .await
    }
}

struct Look<'a> {
    store: &'a Store,
}

impl Command for Look<'_> {
    type Output = Option<u64>;
    type Error = StoreError;

    async fn attempt(&self, tx: &mut Tx) -> Result<Self::Output, StoreError> {
        let looked_at: Option<SqlTimestamp> = sqlx::query_scalar(
            "-- notices.looked\nselect looked_at from ledger_reader where name = 'notices' for no key update skip locked",
        )
        .fetch_optional(&mut **tx)
        .await?;
        let Some(looked_at) = looked_at.map(|at| at.to_jiff()) else {
            return Ok(None);
        };
        let now = tx.now();
        if now.duration_since(looked_at) < BETWEEN_LOOKS {
            return Ok(Some(0));
        }
        let passed = clamps::passed(tx, looked_at, now).await?;
        let to_tell: Vec<ToTell> = passed
            .iter()
            .map(|row| {
                let occasion = Occasion {
                    kind: NoticeKind::DefectDatePassed,
                    subject: row.lockout().id.uuid(),
                    clamp: Some(row.clamp()),
                    yards: row.yards(),
                    since: row.lockout().bars_from,
                    also: None,
                    about: row.about(),
                };
                occasion.into()
            })
            .collect();
        let reference = self.store.reference_in(tx).await?;
        let notices = raise(tx, to_tell, &reference).await?;
        sqlx::query("-- notices.look\nupdate ledger_reader set looked_at = $1 where name = 'notices'")
            .bind(now.to_sqlx())
            .execute(&mut **tx)
            .await?;
        Ok(Some(notices))
    }
}

struct Escalate<'a> {
    store: &'a Store,
}

#[derive(sqlx::FromRow)]
struct Row {
    kind: String,
    subject: Uuid,
    level: i16,
    clamp_id: Option<Uuid>,
    yards: Vec<Uuid>,
    about: Json<About>,
    since: SqlTimestamp,
    handled: bool,
    told: Vec<Uuid>,
}

impl Row {
    fn to_tell(&self) -> Option<ToTell> {
        let level = usize::try_from(self.level).unwrap_or_default();
        Some(ToTell {
            occasion: Occasion {
                kind: self.kind.parse().ok()?,
                subject: self.subject,
                clamp: self.clamp_id.map(ClampId::new),
                yards: self.yards.iter().copied().map(YardId::new).collect(),
                since: self.since.to_jiff(),
                also: None,
                about: self.about.0.clone(),
            },
            from_level: level.saturating_add(1),
            told: self.told.clone(),
        })
    }
}

impl Command for Escalate<'_> {
    type Output = (u64, bool);
    type Error = StoreError;

    async fn attempt(&self, tx: &mut Tx) -> Result<Self::Output, StoreError> {
        let now = tx.now();
        settle_held(tx, now).await?;
        // Every notice of a subject and kind goes on together in each yard, or waits for whoever has it at this moment.
        // Whom it was told to is read in the same statement: of what another worker does meanwhile it knows nothing.
        let rows: Vec<Row> = sqlx::query_as(
            "-- notices.to_escalate
             with due as (
               select n.id, n.kind, n.subject from notice as n where n.escalates_at <= $1
                order by n.escalates_at, n.id limit $2 for no key update skip locked
             ), taken as (
               update notice as n set escalates_at = null from due as d where n.id = d.id
               returning n.kind, n.subject, n.level, n.clamp_id, n.yards, n.about, n.since
             )
             select distinct on (t.kind, t.subject, t.yards) t.*,
                    exists (select from notice as o where o.subject = t.subject and o.kind = t.kind
                              and (o.yards = t.yards or o.yards && t.yards)
                              and (o.acknowledged_at is not null or o.level > t.level)) as handled,
                    array(select o.recipient from notice as o where o.subject = t.subject and o.kind = t.kind) as told
               from taken as t order by t.kind, t.subject, t.yards, t.level desc",
        )
        .bind(now.to_sqlx())
        .bind(SUBJECTS)
        .fetch_all(&mut **tx)
        .await?;
        let has_more = i64::try_from(rows.len()).is_ok_and(|count| count >= SUBJECTS);
        let further = rows.iter().filter(|row| !row.handled);
        let to_tell: Vec<ToTell> = further.filter_map(Row::to_tell).collect();
        let reference = self.store.reference_in(tx).await?;
        Ok((raise(tx, to_tell, &reference).await?, has_more))
    }
}

/// What is not held any more needs nobody.
async fn settle_held(tx: &mut Tx, now: Timestamp) -> Result<(), StoreError> {
    sqlx::query(
        "-- notices.settle_held
         update notice as n set settled_at = $1, escalates_at = null
           from held_entry as h
          where n.kind = 'held_entry_waiting' and n.settled_at is null and h.id = n.subject and h.state <> 'held'",
    )
    .bind(now.to_sqlx())
    .execute(&mut **tx)
    .await?;
    Ok(())
}
