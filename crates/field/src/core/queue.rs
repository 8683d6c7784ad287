//! What the state machine knows of each entry: enough to choose, not what it says.

use clampward_domain::ids::EntryId;
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// What became of an entry, as far as the device knows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum QueuedState {
    /// Not acknowledged.
    Unsent,
    /// In the ledger.
    Recorded,
    /// A person has to place it.
    Held,
    /// Its id was used for other content.
    Refused,
    /// A person dismissed it.
    Dismissed,
}

/// An entry of the journal.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Queued {
    /// Its id.
    pub id: EntryId,
    /// The device number it is counted under.
    pub device_number: u32,
    /// Its number under that.
    pub device_seq: u64,
    /// Size of its text.
    pub bytes: usize,
    /// Whether it goes first.
    pub restricts: bool,
    /// What became of it.
    pub state: QueuedState,
    /// Whether it is offered again.
    pub again: bool,
    /// How often it did not get through by itself.
    pub put_off: u32,
}

impl Queued {
    const fn is_to_send(&self) -> bool {
        self.again || matches!(self.state, QueuedState::Unsent)
    }
    /// Whether the service has it, as it said.
    const fn is_acknowledged(&self) -> bool {
        matches!(
            self.state,
            QueuedState::Recorded | QueuedState::Held | QueuedState::Dismissed
        )
    }
    /// What goes first: what was put off less often, what restricts, and what was never acknowledged; then by the order of
    /// writing.
    const fn order(&self) -> (u32, bool, bool, u32, u64) {
        (
            self.put_off,
            !self.restricts,
            self.again,
            self.device_number,
            self.device_seq,
        )
    }
    /// What did not get through by itself would take others along.
    const fn goes_alone(&self) -> bool {
        self.put_off > 0
    }
}

/// All of them.
#[derive(Clone, Debug, Default)]
pub(super) struct Queue {
    entries: BTreeMap<EntryId, Queued>,
}

impl Queue {
    pub(super) fn new(entries: Vec<Queued>) -> Self {
        Self {
            entries: entries.into_iter().map(|entry| (entry.id, entry)).collect(),
        }
    }
    pub(super) fn get(&self, id: EntryId) -> Option<&Queued> {
        self.entries.get(&id)
    }
    pub(super) fn get_mut(&mut self, id: EntryId) -> Option<&mut Queued> {
        self.entries.get_mut(&id)
    }
    pub(super) fn unsent(&self) -> u64 {
        count(
            self.entries
                .values()
                .filter(|entry| entry.state == QueuedState::Unsent),
        )
    }
    pub(super) fn to_send(&self) -> u64 {
        count(self.entries.values().filter(|entry| entry.is_to_send()))
    }
    /// The numbers of the device to ask receipts of, each with the first `device_seq`: the one in use, and every other one
    /// under which something is kept that was acknowledged. Nobody else would notice that the service lost it.
    pub(super) fn receipts_of(&self, in_use: u32) -> VecDeque<(u32, u64)> {
        let others: BTreeSet<u32> = self
            .entries
            .values()
            .filter(|entry| entry.is_acknowledged() && entry.device_number != in_use)
            .map(|entry| entry.device_number)
            .collect();
        std::iter::once(in_use)
            .chain(others)
            .map(|number| (number, self.lowest_acknowledged(number)))
            .collect()
    }
    /// The lowest `device_seq` under a number that was acknowledged, or the one after all that are kept.
    fn lowest_acknowledged(&self, device_number: u32) -> u64 {
        let of_number = || {
            self.entries
                .values()
                .filter(move |entry| entry.device_number == device_number)
        };
        let acknowledged = of_number()
            .filter(|entry| entry.is_acknowledged())
            .map(|entry| entry.device_seq)
            .min();
        let after_all = || of_number().map(|entry| entry.device_seq.saturating_add(1)).max();
        acknowledged.or_else(after_all).unwrap_or(1)
    }
    /// The acknowledged ones under a number, within a range of `device_seq`.
    pub(super) fn acknowledged(
        &self,
        device_number: u32,
        from: u64,
        until: Option<u64>,
    ) -> impl Iterator<Item = &Queued> {
        self.entries.values().filter(move |entry| {
            entry.device_number == device_number
                && entry.is_acknowledged()
                && entry.device_seq >= from
                && until.is_none_or(|until| entry.device_seq < until)
        })
    }
    /// Offers everything again that was acknowledged.
    pub(super) fn offer_all_again(&mut self) -> Vec<EntryId> {
        self.entries
            .values_mut()
            .filter(|entry| entry.is_acknowledged())
            .map(|entry| {
                entry.again = true;
                entry.id
            })
            .collect()
    }
    /// The next batch: entries of one device number, what restricts first, within the limits.
    pub(super) fn batch(
        &self,
        most_entries: usize,
        most_bytes: usize,
        left_out: impl Fn(&Queued) -> bool,
    ) -> Vec<EntryId> {
        let mut waiting: Vec<&Queued> = self
            .entries
            .values()
            .filter(|entry| entry.is_to_send() && !left_out(entry))
            .collect();
        waiting.sort_by_key(|entry| entry.order());
        let Some(number) = waiting.first().map(|entry| entry.device_number) else {
            return Vec::new();
        };
        let mut bytes = 0_usize;
        let mut batch = Vec::new();
        for entry in waiting.into_iter().filter(|entry| entry.device_number == number) {
            bytes = bytes.saturating_add(entry.bytes).saturating_add(1);
            let has_room = batch.is_empty()
                || (batch.len() < most_entries && bytes <= most_bytes && !entry.goes_alone());
            if !has_room {
                break;
            }
            batch.push(entry.id);
            if entry.goes_alone() {
                break;
            }
        }
        batch
    }
    /// Counts what is unsent anew under another number, in the order of writing.
    pub(super) fn renumber(&mut self, device_number: u32) -> Vec<(EntryId, u64)> {
        let mut unsent: Vec<&mut Queued> = self
            .entries
            .values_mut()
            .filter(|entry| entry.state == QueuedState::Unsent)
            .collect();
        unsent.sort_by_key(|entry| (entry.device_number, entry.device_seq));
        (1..)
            .zip(unsent)
            .map(|(device_seq, entry)| {
                entry.device_number = device_number;
                entry.device_seq = device_seq;
                (entry.id, device_seq)
            })
            .collect()
    }
}

fn count<'a>(entries: impl Iterator<Item = &'a Queued>) -> u64 {
    u64::try_from(entries.count()).unwrap_or(u64::MAX)
}
