//! What there is to tell of clamps' due dates and lock-outs, as they are stored.

use super::raise::yard_at;
use crate::{StoreError, Tx};
use clampward_domain::ids::{ClampId, LockoutId, YardId};
use clampward_domain::lockout::Lockout;
use clampward_domain::notice::{About, DueClock, DueDate, Occasion, YardDay, due, old_lockout};
use clampward_domain::reference::Reference;
use jiff::Timestamp;
use jiff_sqlx::{Date as SqlDate, Timestamp as SqlTimestamp, ToSqlx};
use sqlx::types::Json;
use uuid::Uuid;

#[derive(sqlx::FromRow)]
pub(super) struct DueRow {
    id: Uuid,
    yards: Vec<Uuid>,
    due_frequent: Option<SqlDate>,
    due_periodic: Option<SqlDate>,
    bars_from: Option<SqlTimestamp>,
}

impl DueRow {
    /// What there is to tell, in each of its yards that `concerns`. Of a clamp that a lock-out bars nothing: nobody lifts
    /// with it, and its day is told again once it is returned to service.
    pub(super) fn occasions(
        &self,
        reference: &Reference,
        now: Timestamp,
        concerns: &dyn Fn(YardId) -> bool,
    ) -> Vec<Occasion> {
        if self.bars_from.is_some_and(|from| from.to_jiff() <= now) {
            return Vec::new();
        }
        let dates: Vec<DueDate> = [
            (DueClock::Frequent, self.due_frequent),
            (DueClock::Periodic, self.due_periodic),
        ]
        .into_iter()
        .filter_map(|(clock, day)| {
            Some(DueDate {
                clock,
                day: day?.to_jiff(),
            })
        })
        .collect();
        let mut all = Vec::new();
        for yard in self
            .yards
            .iter()
            .copied()
            .map(YardId::new)
            .filter(|yard| concerns(*yard))
        {
            if let Some(day) = day_in(reference, yard, now) {
                all.extend(due(ClampId::new(self.id), &dates, day));
            }
        }
        all
    }
}

/// The day in a yard at an instant.
pub(super) fn day_in(reference: &Reference, yard: YardId, now: Timestamp) -> Option<YardDay<'_>> {
    let version = yard_at(reference, yard, now)?;
    Some(YardDay {
        yard,
        zone: &version.time_zone,
        policy: &version.notices,
        today: version.time_zone.date_at(now),
    })
}

/// Some clamps, those that are retired left out.
pub(super) async fn by_id(tx: &mut Tx, clamps: &[Uuid]) -> Result<Vec<DueRow>, StoreError> {
    Ok(sqlx::query_as(
        "-- notices.due_of
         select id, yards, due_frequent, due_periodic, bars_from from clamp where id = any($1) and retired_at is null",
    )
    .bind(clamps)
    .fetch_all(&mut **tx)
    .await?)
}

/// The next clamps of which something is due before an instant, by that instant and id.
pub(super) async fn due_before(
    tx: &mut Tx,
    before: Timestamp,
    after: (Timestamp, Uuid),
    limit: i64,
) -> Result<Vec<(DueRow, (Timestamp, Uuid))>, StoreError> {
    #[derive(sqlx::FromRow)]
    struct Row {
        #[sqlx(flatten)]
        due: DueRow,
        next_due_at: SqlTimestamp,
    }
    let rows: Vec<Row> = sqlx::query_as(
        "-- notices.due_before
         select id, yards, due_frequent, due_periodic, bars_from, next_due_at from clamp
          where retired_at is null and next_due_at < $1 and (next_due_at, id) > ($2, $3)
          order by next_due_at, id limit $4",
    )
    .bind(before.to_sqlx())
    .bind(after.0.to_sqlx())
    .bind(after.1)
    .bind(limit)
    .fetch_all(&mut **tx)
    .await?;
    Ok(rows
        .into_iter()
        .map(|row| {
            let key = (row.next_due_at.to_jiff(), row.due.id);
            (row.due, key)
        })
        .collect())
}

#[derive(sqlx::FromRow)]
pub(super) struct LockoutRow {
    id: Uuid,
    clamp_id: Uuid,
    yards: Vec<Uuid>,
    record: Json<Lockout>,
}

impl LockoutRow {
    pub(super) fn lockout(&self) -> &Lockout {
        &self.record.0
    }
    pub(super) fn clamp(&self) -> ClampId {
        ClampId::new(self.clamp_id)
    }
    pub(super) fn yards(&self) -> Vec<YardId> {
        self.yards.iter().copied().map(YardId::new).collect()
    }
    /// What a notice says of it.
    pub(super) fn about(&self) -> About {
        let lockout = self.lockout();
        About {
            what: Some(lockout.what().to_owned()),
            component: Some(lockout.component),
            grade: Some(lockout.grade),
            bars_from: Some(lockout.bars_from),
            lockout_id: Some(LockoutId::new(self.id)),
            entry_id: Some(lockout.opened_by_entry),
            ..About::default()
        }
    }
    /// That it is old, or that its date comes near, in each of its yards that `concerns`.
    pub(super) fn occasions(
        &self,
        reference: &Reference,
        now: Timestamp,
        concerns: &dyn Fn(YardId) -> bool,
    ) -> Vec<Occasion> {
        let lockout = self.lockout();
        let yards = self.yards().into_iter().filter(|yard| concerns(*yard));
        yards
            .filter_map(|yard| {
                let day = day_in(reference, yard, now)?;
                let times = (lockout.opened_at, lockout.bars_from);
                old_lockout(LockoutId::new(self.id), self.clamp(), times, &self.about(), day)
            })
            .collect()
    }
}

const LOCKOUTS: &str =
    "select l.id, l.clamp_id, c.yards, l.record from lockout as l join clamp as c on c.id = l.clamp_id
  where l.closed_at is null and c.retired_at is null";

/// The next open lock-outs by id that were opened before an instant, or that have a date.
pub(super) async fn open_lockouts(
    tx: &mut Tx,
    opened_before: Timestamp,
    after: Uuid,
    limit: i64,
) -> Result<Vec<LockoutRow>, StoreError> {
    let sql = sqlx::AssertSqlSafe(format!(
        "-- notices.open_lockouts\n{LOCKOUTS} and l.id > $1 and (l.opened_at < $2 or l.bars_from > l.opened_at)
         order by l.id limit $3"
    ));
    Ok(sqlx::query_as(sql)
        .bind(after)
        .bind(opened_before.to_sqlx())
        .bind(limit)
        .fetch_all(&mut **tx)
        .await?)
}

/// Open lock-outs whose date passed within a stretch of time.
pub(super) async fn passed(
    tx: &mut Tx,
    from: Timestamp,
    until: Timestamp,
) -> Result<Vec<LockoutRow>, StoreError> {
    let sql = sqlx::AssertSqlSafe(format!(
        "-- notices.passed\n{LOCKOUTS} and l.bars_from > l.opened_at and l.bars_from > $1 and l.bars_from <= $2 order by l.id"
    ));
    Ok(sqlx::query_as(sql)
        .bind(from.to_sqlx())
        .bind(until.to_sqlx())
        .fetch_all(&mut **tx)
        .await?)
}
