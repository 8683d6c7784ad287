//! Pushes: each element has a result of its own, chunk by chunk in one transaction each. Where a chunk fails, its elements
//! are done one by one, so that what the service fails on takes nothing else with it; after some failures it is held.
//!
//! How an element is read is the caller's; nothing of what it says is lost whatever becomes of it.

mod chunk;
mod plan;

use super::clocks::Monotonic;
use super::guard::guarded;
use super::held::HeldReason;
use super::receipts::Progress;
use crate::door::{Recorded, Signing, may_restrict};
use crate::{Store, StoreError};
use chunk::{Chunk, Done, Hold};
use clampward_domain::entry::{Body, JudgedBy};
use clampward_domain::ids::{ClampId, DeviceId, EntryId, PersonId};
use clampward_domain::judge::Remark;
use clampward_domain::reference::YardScope;
use jiff::Timestamp;
use jiff_sqlx::ToSqlx;
pub(crate) use plan::new_entry;
use std::collections::BTreeSet;
use uuid::Uuid;

/// Most elements of one transaction.
pub const CHUNK: usize = 100;
/// How many entries of a chunk may find their clamp held by somebody else before its rest has to wait.
const MAX_LOCKED: usize = 8;
/// How often the service fails on an entry before it is held.
pub const MAX_FAILURES: u32 = 5;

/// How an entry names its clamp.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Named {
    /// By its id.
    Clamp(ClampId),
    /// By the mark on it.
    Mark(String),
}

/// An entry as a device tells it.
#[derive(Clone, Debug)]
pub struct Told {
    /// Its id.
    pub id: EntryId,
    /// The device's count.
    pub device_seq: u64,
    /// The clamp.
    pub named: Named,
    /// When it happened, as told.
    pub performed_at: Timestamp,
    /// When it was written, as the device counts.
    pub written: Monotonic,
    /// Who did it.
    pub performed_by: PersonId,
    /// What the device judged it by.
    pub judged_by: Option<JudgedBy>,
    /// The fact.
    pub body: Body,
    /// Whose word it is.
    pub signing: Signing,
}

/// What can be made out of an element that is no entry.
#[derive(Clone, Debug, Default)]
pub struct Unread {
    /// Its id.
    pub id: Option<EntryId>,
    /// The device's count.
    pub device_seq: Option<u64>,
    /// Every clamp that it names.
    pub clamps: Vec<ClampId>,
    /// Every mark that it names.
    pub marks: Vec<String>,
    /// Its kind, in its own word.
    pub kind: Option<String>,
    /// What is wrong with it.
    pub detail: String,
}

/// An element as it was read.
#[derive(Clone, Debug)]
pub enum Read {
    /// An entry.
    Entry(Box<Told>),
    /// Something else.
    Unreadable(Box<Unread>),
    /// An entry of a kind that this service does not know.
    UnknownKind(Box<Unread>),
    /// Reading it failed in a way that should not happen.
    Failed(Box<Unread>),
}

/// Reads an element again that was held.
pub type Reader<'r> = &'r (dyn Fn(&[u8]) -> Read + Send + Sync);

/// An element of a push.
#[derive(Clone, Debug)]
pub struct Element {
    /// Its place in the push.
    pub index: u32,
    /// As it came.
    pub raw: Vec<u8>,
    /// As it was read.
    pub read: Read,
}

/// A push, or a file that was written by a device and brought in.
#[derive(Clone, Debug)]
pub struct Push {
    /// The device that wrote it.
    pub device: DeviceId,
    /// The number by which it counts.
    pub number: u32,
    /// Who hands it in: the device's own account, or whoever brings the file.
    pub by: PersonId,
    /// The yards of whoever hands it in: of what lies in them they are told more than that it is recorded. Of which yards the
    /// device may tell, its account says.
    pub yards: YardScope,
    /// Where the device's counting stands, if the device itself sends it at this moment.
    pub sent: Option<Monotonic>,
    /// Entries that the device still has to send.
    pub queue_length: u64,
    /// The elements, in order.
    pub elements: Vec<Element>,
}

/// What became of an element.
#[derive(Clone, Debug, PartialEq)]
pub struct Became {
    /// Its place in the push.
    pub index: u32,
    /// Its id, if it could be read.
    pub id: Option<EntryId>,
    /// What it came to.
    pub outcome: BecameWhat,
    /// What to know about this push of it.
    pub remarks: Vec<Remark>,
}

/// What it came to.
#[derive(Clone, Debug, PartialEq)]
pub enum BecameWhat {
    /// It is in the ledger, since now or since before.
    Recorded(Box<Recorded>),
    /// It is kept as it came.
    Held {
        /// The held entry.
        held_id: EntryId,
        /// Why.
        reason: HeldReason,
        /// In words.
        detail: String,
    },
    /// Its id was used before for something else.
    Refused,
    /// Not now.
    Retry,
    /// Not now: it restricts nothing, and as many entries of its device are held as may be.
    TooManyHeld,
}

/// What became of a push.
#[derive(Clone, Debug)]
pub struct Pushed {
    /// One for each element, in their order.
    pub results: Vec<Became>,
    /// How far the device has come.
    pub progress: Progress,
    /// A number to go on under, because another device uses its own.
    pub new_number: Option<u32>,
    /// The ledger's position after it.
    pub position: u64,
}

/// Why nothing was done.
#[derive(Debug, thiserror::Error)]
pub enum PushError {
    /// Another push of this device is under way.
    #[error("another push of this device is under way")]
    UnderWay,
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Why a chunk was not done.
enum Failed {
    /// It will be better later.
    Transient(StoreError),
    /// By something in it.
    Unexpected(String),
}

impl Read {
    /// The id, if it can be made out.
    pub fn id(&self) -> Option<EntryId> {
        match self {
            Self::Entry(told) => Some(told.id),
            Self::Unreadable(unread) | Self::UnknownKind(unread) | Self::Failed(unread) => unread.id,
        }
    }
    /// Whether it may restrict a clamp: nobody knows what it says that cannot be read.
    pub(crate) fn may_restrict(&self) -> bool {
        match self {
            Self::Entry(told) => may_restrict(&told.body),
            Self::Unreadable(_) | Self::UnknownKind(_) | Self::Failed(_) => true,
        }
    }
    /// The device's count, if it can be made out.
    pub fn device_seq(&self) -> Option<u64> {
        match self {
            Self::Entry(told) => Some(told.device_seq),
            Self::Unreadable(unread) | Self::UnknownKind(unread) | Self::Failed(unread) => unread.device_seq,
        }
    }
}

impl Element {
    fn became(&self, outcome: BecameWhat) -> Became {
        Became {
            index: self.index,
            id: self.read.id(),
            outcome,
            remarks: Vec::new(),
        }
    }
}

/// A clamp's standing is told with the last of its entries only: hundreds may be about one clamp.
fn tell_states_once(results: &mut [Became]) {
    let mut told = BTreeSet::new();
    for became in results.iter_mut().rev() {
        if let BecameWhat::Recorded(recorded) = &mut became.outcome
            && recorded.state_now.is_some()
            && !told.insert(recorded.clamp)
        {
            recorded.state_now = None;
        }
    }
}

impl Store {
    /// Takes a push. Whatever comes again is answered as the first time.
    pub async fn push(&self, push: &Push, reader: Reader<'_>) -> Result<Pushed, PushError> {
        let mut results = Vec::with_capacity(push.elements.len());
        let mut new_number = None;
        let mut brings = BTreeSet::new();
        let mut is_hasty = false;
        let mut waiting = push.elements.chunks(CHUNK);
        // A push of nothing tells how many wait, and what time it is there.
        let nothing: &[Element] = &[];
        let mut next = Some(waiting.next().unwrap_or(nothing));
        while let Some(elements) = next {
            let done = match self.chunk(push, elements, None, is_hasty).await {
                Ok(Some(done)) => done,
                // Somebody holds a clamp of it, which is none of the others' business.
                Err(Failed::Transient(error)) if error.is_locked() => {
                    is_hasty = true;
                    let done = self.one_by_one(push, elements, is_hasty).await;
                    let none = |became: &Became| became.outcome == BecameWhat::Retry;
                    if results.is_empty() && done.results.iter().all(none) {
                        return Err(error.into());
                    }
                    done
                }
                Ok(None) if results.is_empty() => return Err(PushError::UnderWay),
                Ok(None) => break,
                Err(Failed::Transient(error)) if results.is_empty() => return Err(error.into()),
                Err(Failed::Transient(_)) => break,
                Err(Failed::Unexpected(error)) => {
                    tracing::warn!(device = %push.device, error, "a chunk failed; its entries are done one by one");
                    self.one_by_one(push, elements, is_hasty).await
                }
            };
            new_number = done.new_number.or(new_number);
            brings.extend(done.brings);
            results.extend(done.results);
            next = waiting.next();
        }
        let rest = push.elements.get(results.len()..).unwrap_or_default();
        results.extend(rest.iter().map(|element| element.became(BecameWhat::Retry)));
        tell_states_once(&mut results);
        if !brings.is_empty() {
            // It is tried again later where it fails.
            if let Err(error) = self.replay_naming(&brings, reader).await {
                tracing::warn!(%error, "held entries of new clamps wait for their next try");
            }
        }
        Ok(Pushed {
            results,
            progress: self.device_progress(push.device, push.number).await?,
            new_number,
            position: self.position().await?,
        })
    }

    async fn chunk(
        &self,
        push: &Push,
        elements: &[Element],
        hold: Option<Hold>,
        is_hasty: bool,
    ) -> Result<Option<Done>, Failed> {
        if hold.is_none()
            && elements
                .iter()
                .any(|element| matches!(element.read, Read::Failed(_)))
        {
            return Err(Failed::Unexpected("an element could not be read".to_owned()));
        }
        let chunk = Chunk {
            store: self,
            push,
            elements,
            hold,
            is_hasty,
        };
        match guarded(self.run_command("sync.push", &chunk)).await {
            Some(Ok(done)) => Ok(done),
            Some(Err(error)) if error.is_busy() || error.is_away() || error.is_repeatable() => {
                Err(Failed::Transient(error))
            }
            Some(Err(error)) => Err(Failed::Unexpected(error.to_string())),
            None => Err(Failed::Unexpected("judging it panicked".to_owned())),
        }
    }

    /// Does elements one by one, what may restrict first. `is_hasty` says that somebody may be holding one of the clamps: its
    /// entries wait, and the others do not wait for them.
    async fn one_by_one(&self, push: &Push, elements: &[Element], is_hasty: bool) -> Done {
        let mut all = Done::default();
        let mut in_order: Vec<&Element> = elements.iter().collect();
        in_order.sort_by_key(|element| !element.read.may_restrict());
        let mut locked: Vec<&Named> = Vec::new();
        for element in in_order {
            let named = match &element.read {
                Read::Entry(told) => Some(&told.named),
                Read::Unreadable(_) | Read::UnknownKind(_) | Read::Failed(_) => None,
            };
            let waits = named.is_some_and(|named| locked.contains(&named)) || locked.len() >= MAX_LOCKED;
            let only = std::slice::from_ref(element);
            let done = if waits {
                None
            } else {
                match self.chunk(push, only, None, is_hasty).await {
                    Ok(Some(done)) => Some(done),
                    Ok(None) => None,
                    Err(Failed::Transient(error)) => {
                        locked.extend(named.filter(|_| error.is_locked()));
                        None
                    }
                    Err(Failed::Unexpected(error)) => self.failed(push, element, &error).await,
                }
            };
            match done {
                Some(done) => {
                    all.new_number = done.new_number.or(all.new_number);
                    all.brings.extend(done.brings);
                    all.results.extend(done.results);
                }
                None => all.results.push(element.became(BecameWhat::Retry)),
            }
        }
        all.results.sort_by_key(|became| became.index);
        all
    }

    /// Counts that the service failed on an entry, and holds it once that is enough.
    async fn failed(&self, push: &Push, element: &Element, error: &str) -> Option<Done> {
        let key = chunk::key_of(push.device, element);
        let failures = match self.count_failure(push.device, key).await {
            Ok(failures) => failures,
            Err(error) => {
                tracing::warn!(%error, "a failure could not be counted");
                return None;
            }
        };
        tracing::error!(device = %push.device, entry = %key, failures, error, "the service failed on an entry");
        if failures < MAX_FAILURES {
            return None;
        }
        let only = std::slice::from_ref(element);
        // Barring its clamp may be what fails.
        for hold in [Hold::AndBar, Hold::Only] {
            match self.chunk(push, only, Some(hold), false).await {
                Ok(done) => return done,
                Err(Failed::Transient(_)) => return None,
                Err(Failed::Unexpected(error)) => {
                    tracing::error!(device = %push.device, entry = %key, error, "holding an entry failed");
                }
            }
        }
        None
    }

    async fn count_failure(&self, device: DeviceId, key: Uuid) -> Result<u32, StoreError> {
        let failures: i32 = sqlx::query_scalar(
            "-- push.count_failure
             insert into push_failure (device_id, entry_id, failures, failed_at) values ($1, $2, 1, $3)
             on conflict (device_id, entry_id) do update
               set failures = push_failure.failures + 1, failed_at = excluded.failed_at
             returning failures",
        )
        .bind(device.uuid())
        .bind(key)
        .bind(self.now().to_sqlx())
        .fetch_one(&self.inner.door)
        .await?;
        Ok(failures.unsigned_abs())
    }
}
