//! Held entries whose cause went away: recorded by themselves, as if they had arrived at this moment. When they count was
//! fixed when they came.

use super::settle::{Locked, lock, settled};
use super::{HeldReason, HeldState};
use crate::door::{Author, Batch, FromDevice, Taken, ToTake};
use crate::sync::push::{Named, REVOKED, Read, Reader, Told, is_revoked, new_entry, yards_of};
use crate::tx::Command;
use crate::{Store, StoreError, Tx};
use clampward_domain::ids::{ClampId, EntryId, PersonId};
use clampward_domain::mark::exact_key;
use jiff::{SignedDuration, Timestamp};
use jiff_sqlx::ToSqlx;
use uuid::Uuid;

/// How long a held entry waits for its next try after one that did not succeed.
const PAUSE: SignedDuration = SignedDuration::from_mins(10);
/// Most of one look.
const LOOK: i64 = 200;

struct Replay<'a> {
    store: &'a Store,
    id: EntryId,
    reader: Reader<'a>,
}

impl Command for Replay<'_> {
    type Output = bool;
    type Error = StoreError;

    async fn attempt(&self, tx: &mut Tx) -> Result<bool, StoreError> {
        let Some(locked) = lock(tx, self.id).await? else {
            return Ok(false);
        };
        if locked.held.state != HeldState::Held {
            return Ok(false);
        }
        if self.record(tx, &locked).await? {
            return Ok(true);
        }
        let next = tx.now().checked_add(PAUSE).unwrap_or(Timestamp::MAX);
        sqlx::query("-- held.next_try\nupdate held_entry set next_try_at = $2 where id = $1")
            .bind(self.id.uuid())
            .bind(next.to_sqlx())
            .execute(&mut **tx)
            .await?;
        Ok(false)
    }
}

impl Replay<'_> {
    async fn record(&self, tx: &mut Tx, locked: &Locked) -> Result<bool, StoreError> {
        let Read::Entry(told) = (self.reader)(&locked.held.raw) else {
            return Ok(false);
        };
        let device = locked.held.device;
        let account = PersonId::new(device.uuid());
        let reference = self.store.reference_in(tx).await?;
        let (counted_at, corrected) = locked.counted.unwrap_or((told.performed_at, false));
        // As the push would: by what the account says, at whatever moment it is tried.
        let Some(now) = reference
            .people
            .get(&account)
            .and_then(|account| account.grant_at(tx.now()))
        else {
            return Ok(false);
        };
        let yards = yards_of(&reference, account, &told.body, counted_at, &now.yards);
        let is_revoked = is_revoked(&reference, account, counted_at);
        let Some(clamp) = clamp_of(tx, &told).await? else {
            return Ok(false);
        };
        let mut to_take = ToTake::by(Author {
            person: account,
            signed: false,
            device: Some(device),
            yards: yards.clone(),
        });
        let new = new_entry(&told, clamp);
        let hash = new.content_hash()?;
        if crate::door::against_registration(&new, &yards, &reference).is_some() {
            return Ok(false);
        }
        let from_device = FromDevice {
            counted_at,
            corrected,
            signing: locked.signing.clone(),
            placed: false,
            distrusted: is_revoked.then_some(REVOKED),
            yards,
            restricts: false,
        };
        to_take.add(new, hash, Some(from_device));
        let mut batch = Batch::open(self.store, tx, &to_take).await?;
        match batch.take(tx, told.id).await? {
            // Somebody recorded the same otherwise: then it is recorded.
            Taken::Yes | Taken::Already => {}
            Taken::Reused | Taken::NotFound | Taken::UnknownReference(_) => return Ok(false),
        }
        settled(tx, self.id, HeldState::Replayed, account, Some(clamp), None).await?;
        batch.settle(tx, Vec::new()).await?;
        Ok(true)
    }
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
    /// Records held entries whose clamp became known meanwhile; answers how many.
    pub async fn replay_held(&self, reader: Reader<'_>, most: u32) -> Result<usize, StoreError> {
        let mut replayed = 0;
        loop {
            let ids: Vec<Uuid> = sqlx::query_scalar(
                "-- held.replayable
                 select h.id from held_entry as h
                  where h.state = 'held' and h.reason = any($3)
                    and (h.next_try_at is null or h.next_try_at <= $1)
                    and (exists (select from clamp as c where c.id = h.clamp_id)
                         or exists (select from clamp as c where c.mark_key = h.mark_key))
                  order by h.received_at, h.id limit $2",
            )
            .bind(self.now().to_sqlx())
            .bind(LOOK)
            .bind(
                [HeldReason::UnknownClamp, HeldReason::AmbiguousMark]
                    .map(HeldReason::code)
                    .as_slice(),
            )
            .fetch_all(&self.inner.door)
            .await?;
            let found = self.replay_each(&ids, reader).await?;
            replayed += found;
            if found == 0 || replayed >= usize::try_from(most).unwrap_or(usize::MAX) {
                return Ok(replayed);
            }
        }
    }

    /// Tries every held entry again that this service could not read, or whose yard, model or versions nobody knew: at its
    /// start, because it may have learned. Answers how many are recorded now.
    pub async fn replay_learned(&self, reader: Reader<'_>) -> Result<usize, StoreError> {
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

    async fn replay_each(&self, ids: &[Uuid], reader: Reader<'_>) -> Result<usize, StoreError> {
        let mut replayed = 0;
        for id in ids {
            let replay = Replay {
                store: self,
                id: EntryId::new(*id),
                reader,
            };
            match self.run_command("held.replay", &replay).await {
                Ok(true) => replayed += 1,
                Ok(false) => {}
                Err(error) if error.is_busy() || error.is_away() => return Err(error),
                Err(error) => tracing::error!(held = %id, %error, "a held entry could not be replayed"),
            }
        }
        Ok(replayed)
    }
}
