//! Held entries are tried again: recorded by themselves where their cause went away, as if they had arrived at this moment,
//! and otherwise barring whatever became known of what they name. When they count was fixed when they came.

use super::settle::{Locked, lock, settled};
use super::{HeldReason, HeldState, Weighed, Weighing};
use crate::door::{
    Author, Batch, FromDevice, NewEntry, Signing, Taken, ToTake, against_registration, look_up,
};
use crate::ledger::Hash;
use crate::people::withdrawn_keys;
use crate::sync::believed::Teller;
use crate::sync::guard::guarded;
use crate::sync::push::{Named, Read, Reader, Told, new_entry};
use crate::tx::Command;
use crate::{Store, StoreError, Tx};
use clampward_domain::entry::Body;
use clampward_domain::ids::{ClampId, EntryId, PersonId};
use clampward_domain::mark::exact_key;
use clampward_domain::reference::Reference;
use jiff::{SignedDuration, Timestamp};
use jiff_sqlx::ToSqlx;
use std::collections::BTreeSet;
use std::panic::{AssertUnwindSafe, catch_unwind};
use uuid::Uuid;

/// How long it takes until recording a held entry is tried again. What becomes known of the clamps that it may restrict is
/// looked at meanwhile. After a try that failed in a way that should not happen it waits as long with everything, and twice
/// as long with each further one in a row.
const PAUSE: SignedDuration = SignedDuration::from_mins(10);
/// How often that doubles.
const DOUBLED: i32 = 7;
/// How long a held entry waits with everything after a try for which the database had too much to do, or somebody held its
/// clamp: twice as long with each further one in a row.
const BUSY_PAUSE: SignedDuration = SignedDuration::from_secs(30);
/// How often that doubles: a clamp is barred within minutes once nothing is in the way any more.
const BUSY_DOUBLED: i32 = 3;
/// Most of one look.
const LOOK: i64 = 200;
/// Most held entries that the push which brings their clamps tries.
const OF_A_PUSH: i64 = 500;
/// Most clamps that are barred at once.
const CLAMPS: i64 = 100;

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

/// How an entry is tried.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Try {
    /// It is recorded if it can be.
    Record,
    /// The service failed on it: it bars what it names without being read.
    OnlyBar,
}

/// Why a try came to no end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum PutOff {
    /// The database had too much to do, or somebody held its clamp.
    Busy,
    /// In a way that should not happen.
    Failed,
}

struct Replay<'a> {
    store: &'a Store,
    id: EntryId,
    reader: Reader<'a>,
    how: Try,
}

/// An entry that may be recorded now, with what is believed of it.
struct Says {
    told: Box<Told>,
    device: FromDevice,
}

impl Command for Replay<'_> {
    type Output = bool;
    type Error = StoreError;

    async fn attempt(&self, tx: &mut Tx) -> Result<bool, StoreError> {
        // Others wait behind it, and nobody waits for it: whoever holds its clamp keeps this one waiting and no other.
        sqlx::query("-- held.hasty\nset local lock_timeout = '250ms'")
            .execute(&mut **tx)
            .await?;
        let Some(locked) = lock(tx, self.id).await? else {
            return Ok(false);
        };
        if locked.held.state != HeldState::Held {
            return Ok(false);
        }
        let reference = self.store.reference_in(tx).await?;
        let says = match self.how {
            Try::Record => self.read(tx, &locked, &reference).await?,
            Try::OnlyBar => None,
        };
        let account = PersonId::new(locked.held.device.uuid());
        let mut to_take = ToTake::by(Author {
            person: account,
            signed: false,
            device: Some(locked.held.device),
            yards: says
                .as_ref()
                .map_or_else(nowhere, |says| says.device.yards.clone()),
        });
        let mut stays = None;
        let candidate = match &says {
            Some(says) if locked.may_be_recorded() => {
                self.candidate(tx, says, &reference, &mut stays).await?
            }
            Some(_) | None => None,
        };
        if let (Some((new, hash)), Some(says)) = (&candidate, &says) {
            to_take.add(new.clone(), *hash, Some(says.device.clone()));
        }
        let (named, others) = if locked.held.restricts {
            known(tx, &locked).await?
        } else {
            (Vec::new(), Vec::new())
        };
        let weighing = Weighing {
            held: self.id,
            device: locked.held.device,
            says: says.as_ref().map(|says| (&*says.told, &says.device)),
        };
        weighing.lock(&mut to_take, &named, tx.now())?;
        let mut batch = Batch::open(self.store, tx, &to_take).await?;
        if batch.reference().version != reference.version {
            return Err(StoreError::ReferenceMoved);
        }
        if let Some((new, _)) = &candidate {
            match batch.take(tx, new.id).await? {
                // Somebody recorded the same otherwise: then it is recorded.
                Taken::Yes | Taken::Already => {
                    let clamp = Some(new.clamp_id);
                    settled(tx, self.id, HeldState::Replayed, account, clamp, None).await?;
                    batch.settle(tx, Vec::new()).await?;
                    return Ok(true);
                }
                // A row was made for its clamp, which must not stay: somebody came before, and it is looked at once more.
                _ if batch.has_blank() => return Err(StoreError::IdRaced),
                Taken::Reused => stays = Some(HeldReason::IdReused),
                Taken::Revoked => stays = Some(HeldReason::DeviceRevoked),
                Taken::NotFound | Taken::UnknownReference(_) => {}
            }
        }
        let mut weighed = weighing.weigh(tx, &mut batch, &named).await?;
        weighed.leaves.extend(others);
        batch.settle(tx, Vec::new()).await?;
        self.stays(tx, stays, &weighed, reference.version).await?;
        Ok(false)
    }
}

impl Replay<'_> {
    /// What it says by now, and what is believed of it.
    async fn read(
        &self,
        tx: &mut Tx,
        locked: &Locked,
        reference: &Reference,
    ) -> Result<Option<Says>, StoreError> {
        let Read::Entry(told) = (self.reader)(&locked.held.raw) else {
            return Ok(None);
        };
        let withdrawn = match &locked.signing {
            Signing::Key { id, .. } => withdrawn_keys(tx, &[*id]).await?,
            Signing::Unsigned(_) => BTreeSet::new(),
        };
        let teller = Teller {
            reference,
            device: locked.held.device,
            by: locked.received_by,
            withdrawn: &withdrawn,
        };
        let counted = locked.counted.unwrap_or((told.performed_at, false));
        let device = teller.believed(&told.body, &locked.signing, counted);
        Ok(Some(Says { told, device }))
    }

    /// The entry as it would be recorded, if nothing is against it that is seen before anything is locked.
    async fn candidate(
        &self,
        tx: &mut Tx,
        says: &Says,
        reference: &Reference,
        stays: &mut Option<HeldReason>,
    ) -> Result<Option<(NewEntry, Hash)>, StoreError> {
        let Some(clamp) = clamp_of(tx, &says.told).await? else {
            return Ok(None);
        };
        let new = new_entry(&says.told, clamp);
        let hash = new.content_hash()?;
        let known = look_up(tx, &[new.id.uuid()]).await?;
        if known.get(&new.id).is_some_and(|known| !known.says(&hash)) {
            *stays = Some(HeldReason::IdReused);
            return Ok(None);
        }
        if says.device.distrusted.is_some() && matches!(new.body, Body::Registered(_)) {
            *stays = Some(HeldReason::DeviceRevoked);
            return Ok(None);
        }
        if against_registration(&new, &says.device.yards, reference).is_some() {
            return Ok(None);
        }
        Ok(Some((new, hash)))
    }

    /// It goes on waiting; what became known of what it names is kept, and by what it was tried. A try that was to record it
    /// came to its end here, so that those before it which did not count no more.
    async fn stays(
        &self,
        tx: &mut Tx,
        because: Option<HeldReason>,
        weighed: &Weighed,
        version: u64,
    ) -> Result<(), StoreError> {
        let next = tx.now().checked_add(PAUSE).unwrap_or(Timestamp::MAX);
        sqlx::query(
            "-- held.stays
             update held_entry set next_try_at = $2, stays_because = coalesce($3, stays_because),
               bars = bars || $4, weighed = weighed || $5,
               yards = array(select distinct unnest(yards || $6) order by 1),
               tries = case when $7 then 0 else tries end,
               tried_version = case when $7 then $8 else tried_version end
              where id = $1",
        )
        .bind(self.id.uuid())
        .bind(next.to_sqlx())
        .bind(because.map(HeldReason::code))
        .bind(weighed.bars.iter().map(|clamp| clamp.uuid()).collect::<Vec<_>>())
        .bind(
            weighed
                .leaves
                .iter()
                .map(|clamp| clamp.uuid())
                .collect::<Vec<_>>(),
        )
        .bind(weighed.yards.iter().map(|yard| yard.uuid()).collect::<Vec<_>>())
        .bind(self.how == Try::Record)
        .bind(i64::try_from(version).map_err(|_| StoreError::ReferenceMoved)?)
        .execute(&mut **tx)
        .await?;
        Ok(())
    }
}

fn nowhere() -> clampward_domain::reference::YardScope {
    clampward_domain::reference::YardScope::Some(Vec::new())
}

/// The clamps that something held names, which are known and were not looked at for it: those that it means, and retired ones
/// whose mark is a live clamp's by now.
async fn known(tx: &mut Tx, locked: &Locked) -> Result<(Vec<ClampId>, Vec<ClampId>), StoreError> {
    let rows: Vec<(Uuid, bool)> = sqlx::query_as(
        "-- held.known
         select c.id, c.id = any(h.clamps) or c.retired_at is null
                or not exists (select from clamp as l where l.mark_key = c.mark_key and l.retired_at is null)
           from held_entry as h
           join clamp as c on c.id = any(h.clamps) or c.mark_key = any(h.mark_keys)
          where h.id = $1 and c.id <> all(h.bars || h.weighed)
          order by c.id limit $2",
    )
    .bind(locked.held.id.uuid())
    .bind(CLAMPS)
    .fetch_all(&mut **tx)
    .await?;
    let (meant, others): (Vec<_>, Vec<_>) = rows.into_iter().partition(|(_, is_meant)| *is_meant);
    let ids = |rows: Vec<(Uuid, bool)>| rows.into_iter().map(|(id, _)| ClampId::new(id)).collect();
    Ok((ids(meant), ids(others)))
}

/// The one clamp that an entry names.
async fn clamp_of(tx: &mut Tx, told: &Told) -> Result<Option<ClampId>, StoreError> {
    match &told.named {
        Named::Clamp(clamp) => Ok(Some(*clamp)),
        Named::Mark(mark) => {
            let key = exact_key(mark);
            let bearers = super::bearers(tx, vec![key.clone()]).await?;
            Ok(match bearers.get(&key).map(Vec::as_slice) {
                Some([only]) => Some(*only),
                Some(_) | None => None,
            })
        }
    }
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
            // What it may restrict is barred whatever it fails on.
            match guarded(self.run_command("held.bar", &replay(Try::OnlyBar))).await {
                Some(Ok(_)) => {}
                Some(Err(error)) => {
                    tracing::error!(held = %id, %error, "a held entry could not bar its clamp")
                }
                None => tracing::error!(held = %id, "barring the clamp of a held entry panicked"),
            }
            self.put_off(*id, PutOff::Failed).await?;
        }
        Ok(replayed)
    }

    /// Puts the next try of a held entry off, because the last one came to no end.
    async fn put_off(&self, id: Uuid, why: PutOff) -> Result<(), StoreError> {
        let (pause, doubled, because) = match why {
            PutOff::Busy => (BUSY_PAUSE, BUSY_DOUBLED, None),
            PutOff::Failed => (PAUSE, DOUBLED, Some(HeldReason::Internal)),
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
