//! Which held entries are tried, and when: what may restrict a clamp that became known comes first, and what comes to no end
//! waits longer each time. What becomes of one that is tried is not decided here.

use super::{Replay, Try};
use crate::sync::guard::guarded;
use crate::sync::held::HeldReason;
use crate::sync::push::Reader;
use crate::{Store, StoreError};
use clampward_domain::ids::{ClampId, EntryId};
use jiff::SignedDuration;
use jiff_sqlx::ToSqlx;
use std::collections::BTreeSet;
use std::panic::{AssertUnwindSafe, catch_unwind};
use uuid::Uuid;

/// How long a held entry waits with everything after a try that failed in a way that should not happen: twice as long for each
/// try in a row before it that came to no end.
const FAILED_PAUSE: SignedDuration = SignedDuration::from_mins(10);
/// How often that doubles.
const FAILED_DOUBLED: i32 = 7;
/// The same after a try for which the database had too much to do, or somebody held its clamp.
const BUSY_PAUSE: SignedDuration = SignedDuration::from_secs(30);
/// How often that doubles: a clamp is barred within minutes once nothing is in the way any more.
const BUSY_DOUBLED: i32 = 3;
/// Most of one look.
const LOOK: i64 = 200;
/// Most held entries that the push which brings their clamps tries.
const OF_A_PUSH: i64 = 500;

/// What may restrict and names a clamp that is known by now, and was not looked at for it. It waits for nothing but a try that
/// came to no end: a clamp that is marked anew is barred at once, however lately its other bearers were looked at.
const UNBARRED: &str = "-- held.unbarred
 select h.id from held_entry as h
  where h.state = 'held' and h.restricts and (h.tries = 0 or h.next_try_at <= $1)
    and (exists (select from clamp as c where c.id = any(h.clamps) and c.id <> all(h.bars || h.weighed))
         or exists (select from clamp as c where c.mark_key = any(h.mark_keys) and c.id <> all(h.bars || h.weighed)))
  order by h.received_at, h.id limit $2";

/// What may be recorded by now: what names a known clamp or brings its own, what was held for reference data that moved on
/// since it was tried, and whatever it is held for, what was put off.
const REPLAYABLE: &str = "-- held.replayable
 select h.id from held_entry as h
  where h.state = 'held' and (
        h.tries > 0 and h.next_try_at <= $1
     or h.tries = 0 and h.reason = 'unknown_reference'
        and h.tried_version is distinct from (select reference_version from ledger_head)
     or h.tries = 0 and h.reason in ('unknown_clamp', 'ambiguous_mark')
        and (h.next_try_at is null or h.next_try_at <= $1)
        and (h.kind = 'registered'
             or exists (select from clamp as c where c.id = any(h.clamps))
             or exists (select from clamp as c where c.mark_key = any(h.mark_keys))))
  order by h.restricts desc, h.next_try_at nulls first, h.received_at, h.id limit $2";

/// Why a try came to no end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum PutOff {
    /// The database had too much to do, or somebody held its clamp.
    Busy,
    /// In a way that should not happen.
    Failed,
}

impl Store {
    /// Tries held entries whose cause may have gone away: those that may restrict a clamp which became known, and those that may
    /// be recorded, what was never tried before what was. Records them, or has them bar it. Answers how many are recorded;
    /// looks at no more than so many of each.
    pub async fn replay_held(&self, reader: Reader<'_>, most: u32) -> Result<usize, StoreError> {
        let mut replayed = 0;
        let mut left = i64::from(most);
        let mut is_more = true;
        while is_more && left > 0 {
            let limit = LOOK.min(left);
            is_more = false;
            // In turns: no clamp's bar waits for all that may be recorded.
            for sql in [UNBARRED, REPLAYABLE] {
                let ids: Vec<Uuid> = sqlx::query_scalar(sql)
                    .bind(self.now().to_sqlx())
                    .bind(limit)
                    .fetch_all(&self.inner.door)
                    .await?;
                is_more |= i64::try_from(ids.len()).unwrap_or(i64::MAX) >= limit;
                replayed += self.replay_each(&ids, reader).await?;
            }
            left = left.saturating_sub(limit);
        }
        Ok(replayed)
    }

    /// Tries the held entries that name clamps which a push brought, by their ids or their marks, and no others.
    pub(crate) async fn replay_naming(
        &self,
        clamps: &BTreeSet<ClampId>,
        reader: Reader<'_>,
    ) -> Result<usize, StoreError> {
        let ids: Vec<Uuid> = sqlx::query_scalar(
            "-- held.naming
             select h.id from held_entry as h
              where h.state = 'held'
                and (h.clamps && $1 or h.mark_keys && array(
                       select c.mark_key from clamp as c where c.id = any($1) and c.mark_key is not null))
              order by h.restricts desc, h.received_at, h.id limit $2",
        )
        .bind(clamps.iter().map(|clamp| clamp.uuid()).collect::<Vec<_>>())
        .bind(OF_A_PUSH)
        .fetch_all(&self.inner.door)
        .await?;
        self.replay_each(&ids, reader).await
    }

    /// Tries every held entry again that this service could not read, or whose yard, model or versions nobody knew, and looks
    /// which may restrict by the rules that it brings: at its start, because it may have learned. Answers how many are
    /// recorded now.
    pub async fn replay_learned(&self, reader: Reader<'_>) -> Result<usize, StoreError> {
        self.restrict_by_present_rules(reader).await?;
        let mut replayed = 0;
        let mut after = Uuid::nil();
        loop {
            let ids: Vec<Uuid> = sqlx::query_scalar(
                "-- held.unlearned
                 select id from held_entry where state = 'held' and reason = any($3) and id > $1 order by id limit $2",
            )
            .bind(after)
            .bind(LOOK)
            .bind(
                [HeldReason::UnknownKind, HeldReason::UnknownReference]
                    .map(HeldReason::code)
                    .as_slice(),
            )
            .fetch_all(&self.inner.door)
            .await?;
            let Some(last) = ids.last() else {
                return Ok(replayed);
            };
            after = *last;
            replayed += self.replay_each(&ids, reader).await?;
        }
    }

    /// Has what was held by an older rule of what may restrict bar by the present one, once it is tried. What may restrict goes
    /// on to, whatever rule it was held by.
    async fn restrict_by_present_rules(&self, reader: Reader<'_>) -> Result<(), StoreError> {
        let mut after = Uuid::nil();
        loop {
            let rows: Vec<(Uuid, Vec<u8>)> = sqlx::query_as(
                "-- held.restricting_nothing
                 select id, raw from held_entry where state = 'held' and not restricts and id > $1 order by id limit $2",
            )
            .bind(after)
            .bind(LOOK)
            .fetch_all(&self.inner.door)
            .await?;
            let Some((last, _)) = rows.last() else {
                return Ok(());
            };
            after = *last;
            let ids: Vec<Uuid> = rows
                .iter()
                .filter(|(_, raw)| may_restrict(reader, raw))
                .map(|(id, _)| *id)
                .collect();
            if ids.is_empty() {
                continue;
            }
            sqlx::query(
                "-- held.restricting_after_all
                 update held_entry set restricts = true where id = any($1) and state = 'held'",
            )
            .bind(&ids)
            .execute(&self.inner.door)
            .await?;
            tracing::info!(
                entries = ids.len(),
                "held entries may restrict by the present rules"
            );
        }
    }

    /// Tries each; one that fails is left for later and takes nothing else with it.
    async fn replay_each(&self, ids: &[Uuid], reader: Reader<'_>) -> Result<usize, StoreError> {
        let mut replayed = 0;
        for id in ids {
            let replay = |how| Replay {
                store: self,
                id: EntryId::new(*id),
                reader,
                how,
            };
            let failed = match guarded(self.run_command("held.replay", &replay(Try::Record))).await {
                Some(Ok(true)) => {
                    replayed += 1;
                    continue;
                }
                Some(Ok(false)) => continue,
                Some(Err(error)) if error.is_away() => return Err(error),
                Some(Err(error)) if error.is_busy() => {
                    tracing::warn!(held = %id, %error, "a held entry waits: the database has too much to do");
                    self.put_off(*id, PutOff::Busy).await?;
                    continue;
                }
                Some(Err(error)) => error.to_string(),
                None => "judging it panicked".to_owned(),
            };
            tracing::error!(held = %id, error = failed, "the service failed on a held entry");
            // What it may restrict is barred whatever it fails on: soon, where that is what somebody is in the way of.
            let why = match guarded(self.run_command("held.bar", &replay(Try::OnlyBar))).await {
                Some(Ok(_)) => PutOff::Failed,
                Some(Err(error)) => {
                    tracing::error!(held = %id, %error, "a held entry could not bar its clamp");
                    match error.is_busy() {
                        true => PutOff::Busy,
                        false => PutOff::Failed,
                    }
                }
                None => {
                    tracing::error!(held = %id, "barring the clamp of a held entry panicked");
                    PutOff::Failed
                }
            };
            self.put_off(*id, why).await?;
        }
        Ok(replayed)
    }

    /// Puts the next try of a held entry off, because the last one came to no end.
    async fn put_off(&self, id: Uuid, why: PutOff) -> Result<(), StoreError> {
        let (pause, doubled, because) = match why {
            PutOff::Busy => (BUSY_PAUSE, BUSY_DOUBLED, None),
            PutOff::Failed => (FAILED_PAUSE, FAILED_DOUBLED, Some(HeldReason::Internal)),
        };
        sqlx::query(
            "-- held.put_off
             update held_entry set next_try_at = $2 + make_interval(secs => $3 * power(2, least(tries, $4))),
               tries = tries + 1, stays_because = coalesce($5, stays_because)
              where id = $1 and state = 'held'",
        )
        .bind(id)
        .bind(self.now().to_sqlx())
        .bind(i32::try_from(pause.as_secs()).unwrap_or(i32::MAX))
        .bind(doubled)
        .bind(because.map(HeldReason::code))
        .execute(&self.inner.door)
        .await?;
        Ok(())
    }
}

/// Whether something held may restrict, as this service reads it. Nobody knows what it says on which reading fails.
fn may_restrict(reader: Reader<'_>, raw: &[u8]) -> bool {
    catch_unwind(AssertUnwindSafe(|| reader(raw).may_restrict())).unwrap_or(true)
}
