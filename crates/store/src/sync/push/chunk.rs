//! One chunk of a push in one transaction: locks (the device, numbers, clamps by id), ids looked up, each element planned,
//! taken or held, receipts; the append comes last.

use super::plan::{NO_CLAMP, Plan, Sight, held_key, marks};
use super::{Became, BecameWhat, Element, Push, Read};
use crate::door::{Author, Batch, Settled, Taken, ToTake, look_up};
use crate::sync::clocks::Clocks;
use crate::sync::held::{self, HeldKey, HeldReason, Kept};
use crate::sync::receipts::{self, Arrived, Numbered};
use crate::tx::Command;
use crate::{Store, StoreError, Tx};
use clampward_domain::entry::Body;
use clampward_domain::ids::{DeviceId, EntryId};
use clampward_domain::judge::{Remark, RemarkCode};
use clampward_domain::reference::{Reference, YardScope};
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
}

/// What became of a chunk.
#[derive(Debug, Default)]
pub(super) struct Done {
    pub results: Vec<Became>,
    pub new_number: Option<u32>,
    /// Whether clamps were registered, moved or marked anew: held entries may have waited for that.
    pub brings_clamps: bool,
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
        let reference = self.store.reference_in(tx).await?;
        let mut to_take = ToTake::by(Author {
            person: self.push.by,
            signed: false,
            device: Some(self.push.device),
            yards: self.push.yards.clone(),
        });
        let mut sight = self.look(tx, &reference).await?;
        let mut plans = Vec::with_capacity(self.elements.len());
        for element in self.elements {
            plans.push(sight.plan(element, self.hold, &mut to_take)?);
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
            brings_clamps: self.brings_clamps(&plans),
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
    })
}

impl<'a> Chunk<'a> {
    /// Looks up ids, marks and clocks: everything at once for all elements.
    async fn look(&self, tx: &mut Tx, reference: &'a Reference) -> Result<Sight<'a>, StoreError> {
        let mut ids: Vec<Uuid> = Vec::new();
        let mut keys: Vec<Uuid> = Vec::new();
        for element in self.elements {
            ids.extend(element.read.id().map(EntryId::uuid));
            keys.push(held_key(self.push.device, element)?.id.uuid());
        }
        ids.extend(&keys);
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
            reference,
            known: look_up(tx, &ids).await?,
            held: held::look_up(tx, &keys).await?,
            bearers: held::bearers(tx, marks.into_iter().collect()).await?,
            clocks: Clocks::load(tx, self.push.device, &boots, self.push.sent).await?,
            now: tx.now(),
            seen: BTreeMap::new(),
        })
    }

    /// Takes what is to be recorded, clamps that are registered first: what is told of them may stand before.
    async fn take(
        &self,
        tx: &mut Tx,
        sight: &Sight<'_>,
        batch: &mut Batch<'_>,
        plans: &mut [Plan],
    ) -> Result<(), StoreError> {
        for registrations in [true, false] {
            for (element, plan) in self.elements.iter().zip(plans.iter_mut()) {
                let (Plan::Take(id, key), Read::Entry(told)) = (&*plan, &element.read) else {
                    continue;
                };
                if matches!(told.body, Body::Registered(_)) != registrations {
                    continue;
                }
                let (id, key) = (*id, key.clone());
                let taken = batch.take(tx, id).await?;
                let keep = |reason, detail: String| sight.keep(element, told, key.clone(), reason, detail);
                match taken {
                    Taken::Yes => {}
                    Taken::Already => *plan = Plan::Known(id),
                    Taken::Reused => *plan = Plan::Refuse(sight.refuse(element, told, key.clone())),
                    Taken::NotFound => {
                        *plan = Plan::Keep(keep(HeldReason::UnknownClamp, NO_CLAMP.to_owned()))
                    }
                    Taken::UnknownReference(errors) => {
                        let details: Vec<String> = errors
                            .into_iter()
                            .map(|error| format!("{}: {}", error.pointer, error.detail))
                            .collect();
                        *plan = Plan::Keep(keep(HeldReason::UnknownReference, details.join("; ")));
                    }
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
        for plan in plans.iter_mut() {
            let (Plan::Keep(kept) | Plan::Refuse(kept)) = plan else {
                continue;
            };
            // Refused before in the same words, it is kept since then.
            if all.contains_key(&kept.key.id) || sight.known.contains_key(&kept.key.id) {
                continue;
            }
            kept.bars.retain(|clamp| batch.knows(*clamp));
            for clamp in &kept.bars {
                let bar = held::bar(kept.key.id, *clamp, self.push.device, tx.now());
                batch.bar(tx, &bar).await?;
            }
            kept.yards = match &self.push.yards {
                YardScope::All => Vec::new(),
                YardScope::Some(yards) => yards.clone(),
            };
            let of_clamps = kept.bars.iter().flat_map(|clamp| batch.yards_of(*clamp));
            kept.yards.extend(of_clamps);
            kept.yards.sort_unstable();
            kept.yards.dedup();
            all.insert(kept.key.id, kept.clone());
        }
        Ok(all.into_values().collect())
    }

    fn arrived(&self, plans: &[Plan]) -> Vec<Arrived> {
        let receipt = |(element, plan): (&Element, &Plan)| {
            let seq = element.read.device_seq().filter(|seq| *seq > 0)?;
            let (outcome, held) = match plan {
                Plan::Known(_) | Plan::Take(..) => ("recorded", None),
                Plan::Held(held) => ("held", Some(held.id.uuid())),
                Plan::Keep(kept) => ("held", Some(kept.key.id.uuid())),
                Plan::Refuse(kept) => ("refused", Some(kept.key.id.uuid())),
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

    fn brings_clamps(&self, plans: &[Plan]) -> bool {
        self.elements.iter().zip(plans).any(|(element, plan)| {
            let Read::Entry(told) = &element.read else {
                return false;
            };
            let brings = match &told.body {
                Body::Registered(_) | Body::Transferred(_) => true,
                Body::Amended(amended) => amended.field == AmendmentField::AssetMark,
                _ => false,
            };
            brings && matches!(plan, Plan::Take(..))
        })
    }
}
