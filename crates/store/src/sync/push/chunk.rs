//! One chunk of a push in one transaction: locks (the device, numbers, clamps by id), ids looked up, each element planned,
//! taken or held, receipts; the append comes last.

use super::plan::{NO_CLAMP, Plan, Sight, held_key, marks};
use super::{Became, BecameWhat, Element, Named, Push, Read};
use crate::door::{Author, Batch, Settled, Signing, Taken, ToTake, look_up};
use crate::people::withdrawn_keys;
use crate::sync::believed::Teller;
use crate::sync::clocks::Clocks;
use crate::sync::held::{self, HeldKey, HeldReason, Kept, Weighing};
use crate::sync::receipts::{self, Arrived, Numbered};
use crate::tx::Command;
use crate::{Store, StoreError, Tx};
use clampward_domain::entry::Body;
use clampward_domain::ids::{ClampId, DeviceId, EntryId};
use clampward_domain::judge::{Remark, RemarkCode};
use clampward_domain::mark::exact_key;
use clampward_domain::reference::YardScope;
use clampward_domain::words::AmendmentField;
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// How an entry is held on which the service failed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Hold {
    /// With a lock-out on its clamp, if it restricts.
    AndBar,
    /// Without.
    Only,
}

/// One chunk.
pub(super) struct Chunk<'a> {
    pub store: &'a Store,
    pub push: &'a Push,
    pub elements: &'a [Element],
    pub hold: Option<Hold>,
    /// Whether it gives up soon where somebody else holds a clamp.
    pub is_hasty: bool,
}

/// What became of a chunk.
#[derive(Debug, Default)]
pub(super) struct Done {
    pub results: Vec<Became>,
    pub new_number: Option<u32>,
    /// Clamps that were registered, moved or marked anew: held entries may have waited for them.
    pub brings: BTreeSet<ClampId>,
}

/// The id of an element, or what stands for it.
pub(super) fn key_of(device: DeviceId, element: &Element) -> Uuid {
    match element.read.id() {
        Some(id) => id.uuid(),
        None => HeldKey::of_raw(device, None, &element.raw).id.uuid(),
    }
}

impl Command for Chunk<'_> {
    type Output = Option<Done>;
    type Error = StoreError;

    async fn attempt(&self, tx: &mut Tx) -> Result<Option<Done>, StoreError> {
        if !held::try_lock_device(tx, self.push.device).await? {
            return Ok(None);
        }
        if self.is_hasty {
            sqlx::query("-- push.hasty\nset local lock_timeout = '250ms'")
                .execute(&mut **tx)
                .await?;
        }
        let reference = self.store.reference_in(tx).await?;
        let withdrawn = withdrawn_keys(tx, &self.keys()).await?;
        let teller = Teller {
            reference: &reference,
            device: self.push.device,
            by: self.push.by,
            withdrawn: &withdrawn,
        };
        let mut to_take = ToTake::by(Author {
            person: self.push.by,
            signed: false,
            device: Some(self.push.device),
            yards: self.push.yards.clone(),
        });
        let keys = self.held_keys()?;
        let mut sight = self.look(tx, teller, &keys).await?;
        let mut plans = Vec::with_capacity(self.elements.len());
        for (element, key) in self.elements.iter().zip(keys) {
            plans.push(sight.plan(element, key, self.hold, &mut to_take)?);
        }
        let mut batch = Batch::open(self.store, tx, &to_take).await?;
        if batch.reference().version != reference.version {
            return Err(StoreError::ReferenceMoved);
        }
        self.take(tx, &sight, &mut batch, &mut plans).await?;
        let kept = self.bar(tx, &sight, &mut batch, &mut plans).await?;
        let rows = held::keep(tx, self.push.device, self.push.by, &kept).await?;
        let arrived = self.arrived(&plans);
        let number = i32::try_from(self.push.number.max(1)).unwrap_or(i32::MAX);
        let numbered = Numbered {
            device: self.push.device,
            number,
            queue_length: self.push.queue_length,
        };
        let noted = receipts::note(tx, numbered, &arrived).await?;
        if let Some(sent) = self.push.sent {
            Clocks::keep(tx, self.push.device, sent).await?;
        }
        let settled = batch.settle(tx, rows).await?;
        let mut results = Vec::with_capacity(plans.len());
        for (element, plan) in self.elements.iter().zip(&plans) {
            let mut became = element.became(outcome(&settled, plan)?);
            if element
                .read
                .device_seq()
                .is_some_and(|seq| noted.forked.contains(&seq))
            {
                became.remarks.push(Remark {
                    code: RemarkCode::DeviceForked,
                    detail: "Another entry came under this number of the device: one of two may be a copy."
                        .to_owned(),
                });
            }
            results.push(became);
        }
        Ok(Some(Done {
            results,
            new_number: noted.new_number,
            brings: self.brings(&sight, &plans),
        }))
    }
}

fn outcome(settled: &Settled<'_>, plan: &Plan) -> Result<BecameWhat, StoreError> {
    Ok(match plan {
        Plan::Take(id, _) => BecameWhat::Recorded(Box::new(settled.answer(*id)?)),
        Plan::Known(id) => {
            let mut recorded = settled.answer(*id)?;
            recorded.already = true;
            BecameWhat::Recorded(Box::new(recorded))
        }
        Plan::Held(held) => BecameWhat::Held {
            held_id: held.id,
            reason: held.reason,
            detail: held.detail.clone(),
        },
        Plan::Keep(kept) => BecameWhat::Held {
            held_id: kept.key.id,
            reason: kept.reason,
            detail: kept.detail.clone(),
        },
        Plan::Refuse(_) => BecameWhat::Refused,
        Plan::Later => BecameWhat::TooManyHeld,
    })
}

impl<'a> Chunk<'a> {
    /// What stands for each element: a digest of all that it says.
    fn held_keys(&self) -> Result<Vec<HeldKey>, StoreError> {
        self.elements
            .iter()
            .map(|element| held_key(self.push.device, element))
            .collect()
    }

    /// Looks up ids, marks and clocks: everything at once for all elements.
    async fn look<'s>(
        &self,
        tx: &mut Tx,
        teller: Teller<'s>,
        keys: &[HeldKey],
    ) -> Result<Sight<'s>, StoreError>
    where
        'a: 's,
    {
        let keys: Vec<Uuid> = keys.iter().map(|key| key.id.uuid()).collect();
        let own = self.elements.iter().filter_map(|element| element.read.id());
        let ids: Vec<Uuid> = own.map(EntryId::uuid).chain(keys.iter().copied()).collect();
        let marks: BTreeSet<String> = self
            .elements
            .iter()
            .flat_map(|element| marks(&element.read))
            .collect();
        let boots: Vec<Uuid> = self
            .elements
            .iter()
            .filter_map(|element| match &element.read {
                Read::Entry(told) => Some(told.written.boot),
                Read::Unreadable(_) | Read::UnknownKind(_) | Read::Failed(_) => None,
            })
            .collect();
        Ok(Sight {
            push: self.push,
            teller,
            known: look_up(tx, &ids).await?,
            held: held::look_up(tx, &keys).await?,
            bearers: held::bearers(tx, marks.into_iter().collect()).await?,
            clocks: Clocks::load(tx, self.push.device, &boots, self.push.sent).await?,
            now: tx.now(),
            seen: BTreeMap::new(),
        })
    }

    /// Takes what is to be recorded, clamps that are registered first: what is told of them may stand before. Then in the
    /// order in which it counts, so that most of it comes last of its clamp and no history is folded again.
    async fn take(
        &self,
        tx: &mut Tx,
        sight: &Sight<'_>,
        batch: &mut Batch<'_>,
        plans: &mut [Plan],
    ) -> Result<(), StoreError> {
        let mut in_order: Vec<_> = Vec::with_capacity(plans.len());
        for (element, plan) in self.elements.iter().zip(plans.iter_mut()) {
            if let (Plan::Take(id, key), Read::Entry(told)) = (&*plan, &element.read) {
                let comes_later = !matches!(told.body, Body::Registered(_));
                let place = (comes_later, sight.counted(told).0, *id);
                in_order.push((place, key.clone(), element, told, plan));
            }
        }
        in_order.sort_by_key(|(place, ..)| *place);
        for ((_, _, id), key, element, told, plan) in in_order {
            let taken = batch.take(tx, id).await?;
            let keep = |reason, detail: String| sight.keep(element, told, key.clone(), reason, detail);
            match taken {
                Taken::Yes => {}
                Taken::Already => *plan = Plan::Known(id),
                Taken::Reused => *plan = Plan::Refuse(sight.refuse(element, told, key.clone())),
                Taken::Revoked => {
                    *plan = Plan::Keep(keep(HeldReason::DeviceRevoked, held::REVOKED.to_owned()))
                }
                Taken::NotFound => *plan = Plan::Keep(keep(HeldReason::UnknownClamp, NO_CLAMP.to_owned())),
                Taken::UnknownReference(errors) => {
                    let details: Vec<String> = errors
                        .into_iter()
                        .map(|error| format!("{}: {}", error.pointer, error.detail))
                        .collect();
                    *plan = Plan::Keep(keep(HeldReason::UnknownReference, details.join("; ")));
                }
            }
        }
        Ok(())
    }

    /// Bars the clamps of what is kept and restricts, and answers everything that is to be kept, each once.
    async fn bar(
        &self,
        tx: &mut Tx,
        sight: &Sight<'_>,
        batch: &mut Batch<'_>,
        plans: &mut [Plan],
    ) -> Result<Vec<Kept>, StoreError> {
        let mut all: BTreeMap<EntryId, Kept> = BTreeMap::new();
        let mut room = None;
        for (element, plan) in self.elements.iter().zip(plans.iter_mut()) {
            let (Plan::Keep(kept) | Plan::Refuse(kept)) = plan else {
                continue;
            };
            // Refused before in the same words, it is kept since then.
            if all.contains_key(&kept.key.id) || sight.known.contains_key(&kept.key.id) {
                continue;
            }
            if !kept.restricts && !kept.is_refused {
                let left = match room {
                    Some(left) => left,
                    None => held::room_of(tx, self.push.device).await?,
                };
                room = Some(left.saturating_sub(1));
                if left == 0 {
                    *plan = Plan::Later;
                    continue;
                }
            }
            // What the service failed on is not judged once more.
            let says = match &element.read {
                Read::Entry(told) if self.hold.is_none() => Some((&**told, sight.believed(told))),
                Read::Entry(_) | Read::Unreadable(_) | Read::UnknownKind(_) | Read::Failed(_) => None,
            };
            let weighing = Weighing {
                held: kept.key.id,
                device: self.push.device,
                says: says.as_ref().map(|(told, device)| (*told, device)),
            };
            let weighed = weighing.weigh(tx, batch, &kept.bars).await?;
            kept.yards = match sight.teller.answered_for_by(kept.counted.map(|(at, _)| at)) {
                YardScope::All => Vec::new(),
                YardScope::Some(yards) => yards,
            };
            kept.yards.extend(weighed.yards);
            kept.yards.sort_unstable();
            kept.yards.dedup();
            (kept.bars, kept.weighed) = (weighed.bars, weighed.leaves);
            all.insert(kept.key.id, kept.clone());
        }
        Ok(all.into_values().collect())
    }

    /// The keys of what is signed: read before this transaction began, one may have been withdrawn meanwhile.
    fn keys(&self) -> Vec<Uuid> {
        let key = |element: &Element| match &element.read {
            Read::Entry(told) => match &told.signing {
                Signing::Key { id, .. } => Some(*id),
                Signing::Unsigned(_) => None,
            },
            Read::Unreadable(_) | Read::UnknownKind(_) | Read::Failed(_) => None,
        };
        self.elements.iter().filter_map(key).collect()
    }

    fn arrived(&self, plans: &[Plan]) -> Vec<Arrived> {
        let receipt = |(element, plan): (&Element, &Plan)| {
            let seq = element.read.device_seq().filter(|seq| *seq > 0)?;
            let (outcome, held) = match plan {
                Plan::Known(_) | Plan::Take(..) => ("recorded", None),
                Plan::Held(held) => ("held", Some(held.id.uuid())),
                Plan::Keep(kept) => ("held", Some(kept.key.id.uuid())),
                Plan::Refuse(kept) => ("refused", Some(kept.key.id.uuid())),
                Plan::Later => return None,
            };
            Some(Arrived {
                seq,
                entry: key_of(self.push.device, element),
                outcome,
                held,
            })
        };
        self.elements.iter().zip(plans).filter_map(receipt).collect()
    }

    fn brings(&self, sight: &Sight<'_>, plans: &[Plan]) -> BTreeSet<ClampId> {
        let brought = |(element, plan): (&Element, &Plan)| {
            let (Read::Entry(told), Plan::Take(..)) = (&element.read, plan) else {
                return None;
            };
            let brings = match &told.body {
                Body::Registered(_) | Body::Transferred(_) => true,
                Body::Amended(amended) => amended.field == AmendmentField::AssetMark,
                _ => false,
            };
            let clamp = match &told.named {
                Named::Clamp(clamp) => Some(*clamp),
                Named::Mark(mark) => sight.only_bearer(&exact_key(mark)),
            };
            clamp.filter(|_| brings)
        };
        self.elements.iter().zip(plans).filter_map(brought).collect()
    }
}
