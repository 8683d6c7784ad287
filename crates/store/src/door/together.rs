//! Single entries that arrive together: judged one by one in the order of arrival, written and committed once.
//!
//! The ledger's head is one row, and a commit waits for the disk with that row locked; so entries that come while another
//! one commits share the next transaction. Each has an outcome of its own: what is refused is left out and nothing else
//! with it. Whatever cannot be done together (a clamp that somebody holds, a number to be locked, a failure) each does by
//! itself.

use super::error::RecordError;
use super::known;
use super::locks;
use super::record::{Door, Handed, settle};
use super::types::Recorded;
use crate::tx::Command;
use crate::{Store, StoreError, Tx};
use clampward_domain::ids::{ClampId, EntryId};
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::sync::oneshot;
use uuid::Uuid;

/// Most entries of one transaction.
const MAX_TOGETHER: usize = 64;
/// How long the others wait for a transaction that hangs.
const PATIENCE: Duration = Duration::from_secs(5);
/// How many entries wait at most. Beyond that one is told so at once instead of after a while.
const MAX_WAITING: usize = 4096;

type Outcome = Result<Vec<Recorded>, RecordError>;

/// An entry that waits to be recorded.
struct Waiting {
    handed: Arc<Handed>,
    outcome: oneshot::Sender<Outcome>,
}

#[derive(Default)]
struct Queue {
    waiting: VecDeque<Waiting>,
    /// Whether a transaction is under way, or about to begin.
    is_running: bool,
}

/// The single entries of one store.
#[derive(Default)]
pub(crate) struct Together(Mutex<Queue>);

impl Together {
    fn queue(&self) -> MutexGuard<'_, Queue> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The next entries, in the order of arrival: at most one for each clamp and id. The others wait for their turn.
    /// `None` ends the flight: whoever comes from then on starts another one.
    fn take(&self) -> Option<Vec<Waiting>> {
        let mut queue = self.queue();
        let mut batch = Vec::new();
        let mut clamps = BTreeSet::new();
        let mut ids = BTreeSet::new();
        let mut later = VecDeque::new();
        while batch.len() < MAX_TOGETHER
            && let Some(next) = queue.waiting.pop_front()
        {
            // Whoever is gone before anything began wants nothing recorded any more.
            if next.outcome.is_closed() {
                continue;
            }
            let (id, clamp) = next.handed.names();
            // Both are named, so that a third one does not overtake one that waits.
            let fresh_clamp = clamps.insert(clamp);
            let fresh_id = ids.insert(id);
            if fresh_clamp && fresh_id {
                batch.push(next);
            } else {
                later.push_back(next);
            }
        }
        later.append(&mut queue.waiting);
        queue.waiting = later;
        if batch.is_empty() {
            queue.is_running = false;
            return None;
        }
        Some(batch)
    }
}

impl Store {
    /// Records a single entry with whatever others come at this moment.
    pub(super) async fn record_together(&self, handed: Handed) -> Outcome {
        let handed = Arc::new(handed);
        loop {
            let (outcome, answered) = oneshot::channel();
            let starts = {
                let mut queue = self.inner.together.queue();
                if queue.waiting.len() >= MAX_WAITING {
                    return Err(StoreError::Busy(sqlx::Error::PoolTimedOut).into());
                }
                queue.waiting.push_back(Waiting {
                    handed: Arc::clone(&handed),
                    outcome,
                });
                !std::mem::replace(&mut queue.is_running, true)
            };
            if starts {
                // Not this caller's own future: others wait for the same commit, whether this caller stays or goes.
                tokio::spawn(Flight::over(self.clone()).run());
            }
            // Dropped with its runtime: asked again, and an entry that was recorded all the same is found by its id.
            if let Ok(outcome) = answered.await {
                return outcome;
            }
        }
    }

    async fn record_each_alone(&self, batch: Vec<Waiting>) {
        for one in batch {
            let store = self.clone();
            // Apart, so that one that has to wait for a lock does not hold up the next.
            tokio::spawn(async move {
                let outcome = store.record_alone(&one.handed).await;
                let _ = one.outcome.send(outcome);
            });
        }
    }
}

/// One sequence of transactions, one after another, until nobody waits.
struct Flight {
    store: Store,
    is_over: bool,
}

impl Flight {
    fn over(store: Store) -> Self {
        Self {
            store,
            is_over: false,
        }
    }

    async fn run(mut self) {
        loop {
            // Whoever is about to hand in at this turn of the worker comes along.
            tokio::task::yield_now().await;
            let Some(batch) = self.store.inner.together.take() else {
                self.is_over = true;
                return;
            };
            self.together(batch).await;
        }
    }

    async fn together(&self, batch: Vec<Waiting>) {
        let group = Group {
            store: &self.store,
            members: batch.iter().map(|one| Arc::clone(&one.handed)).collect(),
        };
        let recording = self.store.run_command("door.record_together", &group);
        match tokio::time::timeout(PATIENCE, recording).await {
            Ok(Ok(outcomes)) => {
                let mut alone = Vec::new();
                for (one, outcome) in batch.into_iter().zip(outcomes) {
                    match outcome {
                        Some(outcome) => {
                            let _ = one.outcome.send(outcome);
                        }
                        None => alone.push(one),
                    }
                }
                self.store.record_each_alone(alone).await;
            }
            Ok(Err(error)) => {
                tracing::debug!(%error, "entries are recorded one by one");
                self.store.record_each_alone(batch).await;
            }
            // Whether it was committed is not known; whoever was recorded is found by the id.
            Err(_) => {
                tracing::warn!("the database does not answer; entries are recorded one by one");
                self.store.record_each_alone(batch).await;
            }
        }
    }
}

impl Drop for Flight {
    fn drop(&mut self) {
        if !self.is_over {
            self.store.inner.together.queue().is_running = false;
        }
    }
}

/// The command: entries about different clamps.
struct Group<'a> {
    store: &'a Store,
    members: Vec<Arc<Handed>>,
}

/// A member while the transaction runs.
enum Judged<'a> {
    Taken(ClampId, Door<'a>),
    Refused(RecordError),
    /// Somebody else holds its clamp, or there is none.
    Alone,
}

impl Command for Group<'_> {
    type Output = Vec<Option<Outcome>>;
    type Error = RecordError;

    async fn attempt(&self, tx: &mut Tx) -> Result<Self::Output, RecordError> {
        let names: Vec<(EntryId, ClampId)> = self.members.iter().map(|member| member.names()).collect();
        // Read before the clamps: what changed later than this is noticed by the append.
        let reference = self.store.reference_in(tx).await?;
        let clamps: BTreeSet<Uuid> = names.iter().map(|(_, clamp)| clamp.uuid()).collect();
        let mut subjects = locks::lock_free_clamps(tx, clamps.into_iter().collect()).await?;
        let ids: Vec<Uuid> = names.iter().map(|(id, _)| id.uuid()).collect();
        let mut known = known::look_up(tx, &ids).await?;
        let mut members = Vec::with_capacity(self.members.len());
        for (handed, (id, clamp)) in self.members.iter().zip(names) {
            let Some(subject) = subjects.remove(&clamp) else {
                members.push(Judged::Alone);
                continue;
            };
            let before: BTreeMap<EntryId, _> =
                known.remove(&id).map(|found| (id, found)).into_iter().collect();
            let subject = BTreeMap::from([(clamp, subject)]);
            let mut door = Door::of(handed, Arc::clone(&reference), subject, before);
            members.push(match door.judge(tx).await {
                Ok(()) => Judged::Taken(clamp, door),
                // The transaction is broken, and with it everybody's.
                Err(RecordError::Store(error)) => return Err(error.into()),
                Err(refusal) => Judged::Refused(refusal),
            });
        }
        let mut all = BTreeMap::new();
        let mut judged = Vec::new();
        for member in &mut members {
            if let Judged::Taken(_, door) = member {
                door.hand_over(&mut all, &mut judged);
            }
        }
        let appended = settle(tx, &mut all, judged, &reference).await?;
        members
            .into_iter()
            .map(|member| match member {
                Judged::Taken(clamp, mut door) => {
                    door.take_back(clamp, &mut all);
                    door.answers(tx, &appended).map(|recorded| Some(Ok(recorded)))
                }
                Judged::Refused(refusal) => Ok(Some(Err(refusal))),
                Judged::Alone => Ok(None),
            })
            .collect()
    }
}
