//! Pushing: receipts first, then batches, until every entry has a result of its own.

use super::queue::QueuedState;
use super::{
    Action, Became, Core, LONGEST_TOLD_MS, Progress, Pushed, Refused, Request, Step, Store, TroubleCode,
};
use crate::journal::Acknowledgement;
use clampward_domain::ids::EntryId;
use clampward_wire::sync::pull::Receipts;
use clampward_wire::sync::push::PushOutcome;
use std::collections::{BTreeMap, BTreeSet};

/// How often one entry is sent in one run at most.
const TRIES: u32 = 6;
/// How many entries that do not get through by themselves are put aside in one run; then pushing waits for the next one.
const STUCK_AT_MOST: u32 = 3;
/// How long to wait before entries are sent again that the service could not take now.
const RETRY_WAIT_MS: u64 = 2_000;

impl Core {
    pub(super) fn receipts(
        &mut self,
        device_number: u32,
        from: u64,
        receipts: Receipts,
        actions: &mut Vec<Action>,
    ) {
        // Under one number there are several entries where a copy of the device uses it, and one without an id where the
        // service could not read it.
        let mut known: BTreeMap<u64, BTreeSet<Option<EntryId>>> = BTreeMap::new();
        for receipt in &receipts.items {
            known
                .entry(receipt.device_seq)
                .or_default()
                .insert(receipt.entry_id);
        }
        let is_known = |seq: u64, id: EntryId| {
            known
                .get(&seq)
                .is_some_and(|ids| ids.contains(&Some(id)) || ids.contains(&None))
        };
        let lost: Vec<EntryId> = self
            .queue
            .acknowledged(device_number, from, receipts.next)
            .filter(|entry| !is_known(entry.device_seq, entry.id))
            .map(|entry| entry.id)
            .collect();
        let fell_behind = device_number == self.device_number
            && receipts.next.is_none()
            && receipts.received_to < self.acknowledged_to;
        for receipt in &receipts.items {
            let held = receipt
                .entry_id
                .and_then(|id| self.queue.get_mut(id))
                .filter(|entry| entry.state == QueuedState::Held);
            let Some(entry) = held else { continue };
            entry.state = match receipt.outcome {
                PushOutcome::Recorded | PushOutcome::AlreadyRecorded => QueuedState::Recorded,
                PushOutcome::Dismissed => QueuedState::Dismissed,
                PushOutcome::Held | PushOutcome::Refused | PushOutcome::Retry => QueuedState::Held,
            };
        }
        let next = receipts.next.filter(|next| *next > from);
        self.settled(
            actions,
            Store::Receipts {
                receipts: receipts.items,
                stable_position: receipts.stable_position,
            },
        );
        if !lost.is_empty() || fell_behind {
            self.other_history(
                "the service has lost entries that it had acknowledged: everything that is kept is offered again",
                actions,
            );
            self.go(Step::Push, actions);
            return;
        }
        if let Some(next) = next {
            if let Some((_, from)) = self.receipts_of.front_mut() {
                *from = next;
            }
        } else {
            self.receipts_of.pop_front();
            self.has_receipts = self.receipts_of.is_empty();
        }
        self.ask(actions);
    }

    pub(super) fn next_batch(&self) -> Option<Request> {
        let entries = self.queue.batch(self.batch, self.most_bytes, |entry| {
            self.aside.contains(&entry.id)
        });
        let device_number = entries.first().and_then(|id| self.queue.get(*id))?.device_number;
        Some(Request::Push {
            entries,
            device_number,
            queue_length: self.queue.to_send(),
        })
    }

    pub(super) fn pushed(&mut self, entries: &[EntryId], reply: Pushed, actions: &mut Vec<Action>) {
        let mut results = Vec::new();
        let mut answered = BTreeSet::new();
        let mut again = false;
        for result in reply.results {
            let place = usize::try_from(result.index).unwrap_or(usize::MAX);
            let Some(id) = entries.get(place).copied() else {
                continue;
            };
            // A result that names another entry is not about this one.
            if result.id.is_some_and(|told| told != id) || !answered.insert(id) {
                continue;
            }
            again |= self.note(id, &result);
            results.push(Acknowledgement {
                entry_id: id,
                outcome: result.outcome,
                position: result.position,
                stable: result
                    .position
                    .is_some_and(|position| position <= reply.stable_position),
                result: result.raw,
            });
        }
        // Without a result an entry is as unsent as before.
        for id in entries.iter().filter(|id| !answered.contains(*id)) {
            again = true;
            self.tried(*id);
        }
        let number = entries
            .first()
            .and_then(|id| self.queue.get(*id))
            .map(|entry| entry.device_number);
        let acknowledged = number
            .filter(|number| *number == self.device_number)
            .and_then(|number| {
                let highest = results
                    .iter()
                    .filter_map(|settled| self.queue.get(settled.entry_id))
                    .filter(|entry| entry.state != QueuedState::Unsent)
                    .map(|entry| entry.device_seq)
                    .max()?;
                Some((number, highest))
            });
        let lacks = |number: u32, from: u64, to: u64| {
            self.queue
                .acknowledged(number, from, to.checked_add(1))
                .next()
                .is_some()
        };
        let fell_behind = number.is_some_and(|number| {
            (number == self.device_number && reply.received_to < self.acknowledged_to)
                || reply.missing.iter().any(|(from, to)| lacks(number, *from, *to))
        });
        if let Some((_, highest)) = acknowledged {
            self.acknowledged_to = self.acknowledged_to.max(highest);
        }
        let renumbered = reply
            .device_number
            .filter(|new| *new != self.device_number)
            .map(|new| {
                self.device_number = new;
                self.acknowledged_to = 0;
                self.report.device_number = Some(new);
                self.report.note(
                    "another device uses this one's number: it goes on under a new one; tell whoever keeps the devices",
                );
                (new, self.queue.renumber(new))
            });
        self.settled(
            actions,
            Store::Pushed {
                results,
                at: reply.server_time,
                acknowledged,
                renumbered,
            },
        );
        self.widen(entries.len(), actions);
        if fell_behind {
            self.other_history(
                "the service has lost entries that it had acknowledged: everything that is kept is offered again",
                actions,
            );
        }
        let settled = self.report.recorded + self.report.held + self.report.refused;
        actions.push(Action::Show(Progress::Pushing {
            done: settled,
            of: settled + self.queue.to_send(),
        }));
        let told = reply
            .wait_seconds
            .map_or(0, |seconds| u64::from(seconds).saturating_mul(1000));
        let own = if again { RETRY_WAIT_MS } else { 0 };
        let wait = told.max(own).min(LONGEST_TOLD_MS);
        if wait > 0 && self.next_batch().is_some() {
            self.wait(wait, actions);
        } else {
            self.ask(actions);
        }
    }

    /// Takes a result into account. Answers whether the entry has to be sent again.
    fn note(&mut self, id: EntryId, result: &Became) -> bool {
        let state = match result.outcome {
            Some(PushOutcome::Recorded | PushOutcome::AlreadyRecorded) => QueuedState::Recorded,
            Some(PushOutcome::Held) => QueuedState::Held,
            Some(PushOutcome::Dismissed) => QueuedState::Dismissed,
            Some(PushOutcome::Refused) => QueuedState::Refused,
            Some(PushOutcome::Retry) => {
                self.tried(id);
                return true;
            }
            // A word of a later version settles nothing here, and would not be another one if asked again at once.
            None => {
                self.aside.insert(id);
                self.report.trouble(
                    TroubleCode::ClientTooOld,
                    "the service says something of some entries that this version does not know: update it; they stay here and are sent again next time",
                );
                return false;
            }
        };
        match state {
            QueuedState::Recorded => self.report.recorded += 1,
            QueuedState::Held => self.report.held += 1,
            QueuedState::Refused => self.report.refused += 1,
            QueuedState::Unsent | QueuedState::Dismissed => {}
        }
        if let Some(entry) = self.queue.get_mut(id) {
            entry.state = state;
            entry.again = false;
        }
        false
    }

    /// An entry that was sent in vain too often waits for the next run.
    fn tried(&mut self, id: EntryId) {
        let tries = self.tries.entry(id).or_insert(0);
        *tries += 1;
        if *tries >= TRIES {
            self.aside.insert(id);
            self.report.trouble(
                TroubleCode::NotTaken,
                "some entries could not be taken now: they stay here and are sent next time",
            );
        }
    }

    /// An entry that does not get through although nothing goes with it is left for the next run: whatever is wrong with it,
    /// or with what stands between, nothing else waits for it. Once anything is answered after it, it was not the line,
    /// and it goes last from then on. Answers whether it was put aside.
    pub(super) fn put_aside(&mut self, question: &Request, why: &str, actions: &mut Vec<Action>) -> bool {
        let Request::Push { entries, .. } = question else {
            return false;
        };
        let &[one] = entries.as_slice() else {
            return false;
        };
        if self.stuck >= STUCK_AT_MOST {
            return false;
        }
        self.stuck += 1;
        self.doubted.push(one);
        self.lost = 0;
        self.aside.insert(one);
        self.report.trouble(
            TroubleCode::NotTaken,
            &format!("entry {one} stays here and is sent next time, for it does not get through: {why}"),
        );
        self.ask(actions);
        true
    }

    /// A push that does not get through may be too large for the line, or for the time that the service gives it: the next
    /// one is half of it, and the next run remembers.
    pub(super) fn narrow_down(&mut self, question: &Request, actions: &mut Vec<Action>) {
        let Request::Push { entries, .. } = question else {
            return;
        };
        if entries.len() > 1 {
            self.batch = entries.len() / 2;
            self.narrow = Some(self.batch);
            actions.push(Action::Store(Store::Batch(self.batch)));
        }
    }

    /// One that got through may be followed by a larger one. After a loss by a little only, so that on a bad line most of
    /// them get through.
    fn widen(&mut self, sent: usize, actions: &mut Vec<Action>) {
        if self.narrow.is_none() {
            self.batch = self.batch.saturating_mul(2).min(self.most_entries);
        } else if sent >= self.batch {
            let more = (self.batch / 4).max(1);
            self.batch = self.batch.saturating_add(more).min(self.most_entries);
            self.narrow = Some(self.batch).filter(|batch| *batch < self.most_entries);
            actions.push(Action::Store(Store::Batch(self.batch)));
        }
    }

    /// A batch that is not taken as a whole is halved, until the one entry is found that is to blame.
    pub(super) fn push_refused(&mut self, entries: &[EntryId], refused: &Refused, actions: &mut Vec<Action>) {
        let halves = matches!(refused.status, 400 | 413 | 422);
        if !halves {
            self.give_up(&refused.detail, actions);
            return;
        }
        match entries {
            [one] => {
                self.aside.insert(*one);
                self.report.trouble(
                    TroubleCode::NotTaken,
                    &format!("the service does not take entry {one}: {} It stays here; show it to whoever keeps the devices", refused.detail),
                );
                if self.narrow.is_none() {
                    self.batch = self.most_entries;
                }
            }
            many => self.batch = (many.len() / 2).max(1),
        }
        self.ask(actions);
    }
}
