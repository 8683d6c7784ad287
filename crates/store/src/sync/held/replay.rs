//! Held entries are tried again: recorded by themselves where their cause went away, as if they had arrived at this moment,
//! and otherwise barring whatever became known of what they name. When they count was fixed when they came. Which of them are
//! tried, and when, is decided beside this.

mod looks;

use super::settle::{Locked, lock, settled};
use super::{HeldReason, HeldState, Weighed, Weighing};
use crate::door::{
    Author, Batch, FromDevice, NewEntry, Signing, Taken, ToTake, against_registration, look_up,
};
use crate::ledger::Hash;
use crate::people::withdrawn_keys;
use crate::sync::believed::Teller;
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
use uuid::Uuid;

/// How long it takes until recording a held entry is tried again. What becomes known of the clamps that it may restrict is
/// looked at meanwhile.
const PAUSE: SignedDuration = SignedDuration::from_mins(10);
/// Most clamps that are barred at once.
const CLAMPS: i64 = 100;

/// How an entry is tried.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Try {
    /// It is recorded if it can be.
    Record,
    /// The service failed on it: it bars what it names without being read.
    OnlyBar,
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

    /// It goes on waiting; what became known of what it names is kept, and the reference version by which it was tried. A try
    /// that was to record it came to its end here: those before it that did not are forgotten.
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
             update held_entry set next_try_at = $2,
               stays_because = coalesce($3, case when $7 then nullif(stays_because, 'internal') else stays_because end),
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
