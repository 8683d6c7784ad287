//! What is going to happen to each element of a chunk, seen before anything is locked or changed.

use super::chunk::Hold;
use super::{Element, Named, Push, Read, Told, Unread};
use crate::StoreError;
use crate::clock::whole_microseconds;
use crate::door::{FromDevice, Known, NewEntry, Taken, ToTake, against_registration, may_restrict};
use crate::ledger::Hash;
use crate::sync::believed::Teller;
use crate::sync::clocks::Clocks;
use crate::sync::held::{self, HeldKey, HeldReason, Kept, KnownHeld, Weighing};
use clampward_domain::ids::{ClampId, DeviceId, EntryId};
use clampward_domain::mark::exact_key;
use jiff::Timestamp;
use std::collections::{BTreeMap, BTreeSet};

/// What stands for an element among those that are held.
pub(super) fn held_key(device: DeviceId, element: &Element) -> Result<HeldKey, StoreError> {
    match &element.read {
        Read::Entry(told) => HeldKey::of_told(device, told),
        Read::Unreadable(unread) | Read::UnknownKind(unread) | Read::Failed(unread) => {
            Ok(HeldKey::of_raw(device, unread.id, &element.raw))
        }
    }
}

/// What is going to happen to an element.
#[derive(Clone, Debug)]
pub(super) enum Plan {
    /// It is recorded already, or an element before it in this chunk is the same.
    Known(EntryId),
    /// It is held already.
    Held(KnownHeld),
    /// It is to be recorded.
    Take(EntryId, HeldKey),
    /// It is to be kept as it came.
    Keep(Kept),
    /// Its id was used before for something else.
    Refuse(Kept),
    /// It restricts nothing, and as much as may be is held of its device: it waits there.
    Later,
}

/// What a chunk knows before anything is locked.
pub(super) struct Sight<'a> {
    pub(super) push: &'a Push,
    pub(super) teller: Teller<'a>,
    pub(super) known: BTreeMap<EntryId, Known>,
    pub(super) held: Vec<KnownHeld>,
    /// The clamps that bear a mark, live ones or else retired ones.
    pub(super) bearers: BTreeMap<String, Vec<ClampId>>,
    pub(super) clocks: Clocks,
    pub(super) now: Timestamp,
    /// Ids of this chunk with what they say.
    pub(super) seen: BTreeMap<EntryId, Hash>,
}

/// Most characters that are kept of why an entry is held.
const MAX_DETAIL: usize = 2_000;
const ID_REUSED: &str = "Its id was used before for something else.";
pub(super) const NO_CLAMP: &str = "No clamp of the device's yards has this id or mark.";

/// The marks that an element names, as keys.
pub(super) fn marks(read: &Read) -> Vec<String> {
    match read {
        Read::Entry(told) => match &told.named {
            Named::Mark(mark) => vec![exact_key(mark)],
            Named::Clamp(_) => Vec::new(),
        },
        Read::Unreadable(unread) | Read::UnknownKind(unread) | Read::Failed(unread) => {
            unread.marks.iter().map(|mark| exact_key(mark)).collect()
        }
    }
}

impl Sight<'_> {
    /// What is to happen to an element, by the key that stands for it; what has to be locked for it goes to `to_take`.
    pub(super) fn plan(
        &mut self,
        element: &Element,
        key: HeldKey,
        hold: Option<Hold>,
        to_take: &mut ToTake,
    ) -> Result<Plan, StoreError> {
        let plan = match &element.read {
            Read::Entry(told) => self.plan_entry(element, told, key, hold, to_take)?,
            Read::Unreadable(unread) => self.plan_unread(element, unread, key, HeldReason::Unreadable),
            Read::UnknownKind(unread) => self.plan_unread(element, unread, key, HeldReason::UnknownKind),
            Read::Failed(unread) => self.plan_unread(element, unread, key, HeldReason::Internal),
        };
        let plan = match plan {
            Plan::Keep(mut kept) if hold == Some(Hold::Only) => {
                kept.bars.clear();
                Plan::Keep(kept)
            }
            plan => plan,
        };
        if let Plan::Keep(kept) | Plan::Refuse(kept) = &plan {
            let weighing = Weighing {
                held: kept.key.id,
                device: self.push.device,
                says: None,
            };
            weighing.lock(to_take, &kept.bars, self.now)?;
        }
        Ok(plan)
    }

    fn plan_unread(&self, element: &Element, unread: &Unread, key: HeldKey, reason: HeldReason) -> Plan {
        if let Some(held) = self.held.iter().find(|held| held.id == key.id) {
            return Plan::Held(held.clone());
        }
        let by_mark = unread
            .marks
            .iter()
            .filter_map(|mark| self.bearers.get(&exact_key(mark)));
        let bars: BTreeSet<ClampId> = unread
            .clamps
            .iter()
            .copied()
            .chain(by_mark.flatten().copied())
            .collect();
        Plan::Keep(Kept {
            key,
            entry: unread.id,
            reason,
            detail: unread.detail.clone(),
            kind: unread.kind.clone(),
            clamp: unread.clamps.first().copied(),
            mark: unread.marks.first().cloned(),
            clamps: unread.clamps.clone(),
            mark_keys: held::mark_keys(&unread.marks),
            restricts: true,
            bars: bars.into_iter().collect(),
            weighed: Vec::new(),
            yards: Vec::new(),
            performed_by: None,
            performed_at: None,
            counted: None,
            signing: None,
            raw: element.raw.clone(),
            is_refused: false,
        })
    }

    pub(super) fn keep(
        &self,
        element: &Element,
        told: &Told,
        key: HeldKey,
        reason: HeldReason,
        detail: String,
    ) -> Kept {
        let restricts = may_restrict(&told.body);
        let (clamp, mark) = match &told.named {
            Named::Clamp(clamp) => (Some(*clamp), None),
            Named::Mark(mark) => (None, Some(mark.clone())),
        };
        let bearers = mark.as_ref().and_then(|mark| self.bearers.get(&exact_key(mark)));
        let bars = clamp.into_iter().chain(bearers.into_iter().flatten().copied());
        Kept {
            key,
            entry: Some(told.id),
            reason,
            // It is kept for ever.
            detail: detail.chars().take(MAX_DETAIL).collect(),
            kind: Some(told.body.kind().code().to_owned()),
            clamp,
            clamps: clamp.into_iter().collect(),
            mark_keys: held::mark_keys(mark.as_slice()),
            bars: if restricts { bars.collect() } else { Vec::new() },
            weighed: Vec::new(),
            mark,
            restricts,
            yards: Vec::new(),
            performed_by: Some(told.performed_by),
            performed_at: Some(told.performed_at),
            counted: Some(self.counted(told)),
            signing: Some(told.signing.clone()),
            raw: element.raw.clone(),
            is_refused: false,
        }
    }

    /// When an entry counts, and whether that is another time than told. A time ahead of ours counts as now, also where
    /// the entry is held and recorded later.
    pub(super) fn counted(&self, told: &Told) -> (Timestamp, bool) {
        let (counted_at, corrected) = self.clocks.counted(told.written, told.performed_at);
        (whole_microseconds(counted_at.min(self.now)), corrected)
    }

    pub(super) fn refuse(&self, element: &Element, told: &Told, key: HeldKey) -> Kept {
        Kept {
            is_refused: true,
            ..self.keep(element, told, key, HeldReason::Internal, ID_REUSED.to_owned())
        }
    }

    fn plan_entry(
        &mut self,
        element: &Element,
        told: &Told,
        key: HeldKey,
        hold: Option<Hold>,
        to_take: &mut ToTake,
    ) -> Result<Plan, StoreError> {
        let before = self.held.iter().find(|held| held.id == key.id);
        if let Some(known) = self.known.get(&told.id) {
            // Whatever it was called, it is about the clamp that it was recorded of.
            let clamp = match (&told.named, before.filter(|held| held.became_recorded())) {
                (Named::Clamp(clamp), None) => *clamp,
                (Named::Mark(_), _) | (_, Some(_)) => ClampId::new(known.stream),
            };
            let new = new_entry(told, clamp);
            let hash = new.content_hash()?;
            if known.says(&hash) {
                to_take.add(new, hash, None);
                return Ok(Plan::Known(told.id));
            }
            return Ok(Plan::Refuse(self.refuse(element, told, key)));
        }
        if let Some(held) = before {
            return Ok(Plan::Held(held.clone()));
        }
        // The first one of this chunk has the id.
        if *self.seen.entry(told.id).or_insert(key.told_hash) != key.told_hash {
            return Ok(Plan::Refuse(self.refuse(element, told, key)));
        }
        if hold.is_some() {
            return Ok(Plan::Keep(self.keep(
                element,
                told,
                key,
                HeldReason::Internal,
                held::FAILED.to_owned(),
            )));
        }
        self.plan_new(element, told, key, to_take)
    }

    fn plan_new(
        &self,
        element: &Element,
        told: &Told,
        key: HeldKey,
        to_take: &mut ToTake,
    ) -> Result<Plan, StoreError> {
        let keep = |reason, detail: &str| {
            Plan::Keep(self.keep(element, told, key.clone(), reason, detail.to_owned()))
        };
        let clamp = match &told.named {
            Named::Clamp(clamp) => *clamp,
            Named::Mark(mark) => match self.bearers.get(&exact_key(mark)).map(Vec::as_slice) {
                Some([only]) => *only,
                None | Some([]) => return Ok(keep(HeldReason::UnknownClamp, NO_CLAMP)),
                Some(_) => return Ok(keep(HeldReason::AmbiguousMark, "Several clamps bear this mark.")),
            },
        };
        let new = new_entry(told, clamp);
        let device = self.believed(told);
        // Of the others it is seen under lock what they come to.
        if device.distrusted.is_some() && !may_restrict(&told.body) {
            return Ok(keep(HeldReason::DeviceRevoked, held::REVOKED));
        }
        match against_registration(&new, &device.yards, self.teller.reference) {
            None => {}
            Some(Taken::UnknownReference(errors)) => {
                let details: Vec<String> = errors.into_iter().map(|error| error.detail).collect();
                return Ok(keep(HeldReason::UnknownReference, &details.join("; ")));
            }
            Some(_) => {
                return Ok(keep(
                    HeldReason::UnknownClamp,
                    "The yard is none of the device's.",
                ));
            }
        }
        let hash = match told.named {
            // What it says of itself is the entry's content, to the byte.
            Named::Clamp(_) => key.told_hash,
            Named::Mark(_) => new.content_hash()?,
        };
        to_take.add(new, hash, Some(device));
        Ok(Plan::Take(told.id, key))
    }

    /// The one clamp that bears a mark.
    pub(super) fn only_bearer(&self, key: &str) -> Option<ClampId> {
        match self.bearers.get(key).map(Vec::as_slice) {
            Some([only]) => Some(*only),
            Some(_) | None => None,
        }
    }

    /// What is believed of an entry.
    pub(super) fn believed(&self, told: &Told) -> FromDevice {
        self.teller
            .believed(&told.body, &told.signing, self.counted(told))
    }
}

/// The entry as the door takes it.
pub(crate) fn new_entry(told: &Told, clamp: ClampId) -> NewEntry {
    NewEntry {
        id: told.id,
        clamp_id: clamp,
        performed_at: told.performed_at,
        performed_by: told.performed_by,
        judged_by: told.judged_by.clone(),
        body: told.body.clone(),
    }
}
