//! Recording: lock, look up, judge in the order given, write.

use super::error::RecordError;
use super::judging;
use super::known::{self, Known};
use super::locks;
use super::numbers;
use super::subject::Subject;
use super::types::{Author, FromDevice, MAX_ENTRIES, Mode, NewEntry, Recorded, Recording};
use super::write::{self, Judged};
use crate::clamps::entries;
use crate::ledger::{Appended, Hash, LedgerRow};
use crate::photos;
use crate::reference::current_version;
use crate::tx::Command;
use crate::{Store, StoreError, Tx};
use clampward_domain::entry::{Body, InputError, check_body};
use clampward_domain::ids::{ClampId, DeviceId, EntryId};
use clampward_domain::judge::{Outcome, Remark, RemarkCode, judge};
use clampward_domain::photo::PhotoDigest;
use clampward_domain::reference::Reference;
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::Arc;
use uuid::Uuid;

/// The version of ids that are derived from names.
const DERIVED_VERSION: usize = 5;

impl Store {
    /// Records entries: all of them, or nothing. An entry that was recorded before is answered as the first time.
    ///
    /// Ids of version 5 are kept for entries that follow from others: whoever could hand one in under such an id first
    /// would keep what follows from being recorded.
    pub async fn record(&self, recording: Recording) -> Result<Vec<Recorded>, RecordError> {
        let reserved = recording
            .entries
            .iter()
            .find(|entry| entry.id.uuid().get_version_num() == DERIVED_VERSION);
        if let Some(entry) = reserved {
            return Err(RecordError::Malformed {
                entry: entry.id,
                errors: vec![InputError {
                    pointer: "/entry_id".to_owned(),
                    code: "reserved-id",
                    detail: "ids of version 5 are kept for entries that follow from others".to_owned(),
                }],
            });
        }
        self.record_derived(recording).await
    }

    /// The same for entries whose ids the service itself derived from what they follow from; never for ids that
    /// somebody handed in.
    pub async fn record_derived(&self, recording: Recording) -> Result<Vec<Recorded>, RecordError> {
        let handed = Handed::of(recording)?;
        // Within a unit an entry is recorded in the unit or not at all.
        if handed.is_single() && self.shared.is_none() {
            return self.record_together(handed).await;
        }
        self.record_alone(&handed).await
    }

    /// Records in a transaction of its own.
    pub(super) async fn record_alone(&self, handed: &Handed) -> Result<Vec<Recorded>, RecordError> {
        self.run_command("door.record", &Recorder { store: self, handed })
            .await
    }
}

/// What was handed in, with the digest of every content.
pub(super) struct Handed {
    pub(super) recording: Recording,
    pub(super) hashes: BTreeMap<EntryId, Hash>,
}

impl Handed {
    /// With every entry looked at by itself.
    fn of(recording: Recording) -> Result<Self, RecordError> {
        if recording.entries.len() > MAX_ENTRIES {
            return Err(RecordError::TooMany(recording.entries.len()));
        }
        let mut hashes = BTreeMap::new();
        for entry in &recording.entries {
            let errors = check_body(entry.performed_at, &entry.body);
            if !errors.is_empty() {
                return Err(RecordError::Malformed {
                    entry: entry.id,
                    errors,
                });
            }
            let hash = entry.content_hash()?;
            if hashes.insert(entry.id, hash).is_some_and(|other| other != hash) {
                return Err(RecordError::IdReused { entry: entry.id });
            }
        }
        Ok(Self { recording, hashes })
    }
    /// Whether it is one entry about a clamp that is there, for which no number has to be locked.
    fn is_single(&self) -> bool {
        matches!(self.recording.entries.as_slice(), [only] if locks::needs_no_number(only))
    }
    /// The id and the clamp of the first entry.
    pub(super) fn names(&self) -> (EntryId, ClampId) {
        let first = self.recording.entries.first();
        let nothing = || (EntryId::new(Uuid::nil()), ClampId::new(Uuid::nil()));
        first.map_or_else(nothing, |entry| (entry.id, entry.clamp_id))
    }
}

/// The command: what every attempt starts from.
struct Recorder<'a> {
    store: &'a Store,
    handed: &'a Handed,
}

impl Command for Recorder<'_> {
    type Output = Vec<Recorded>;
    type Error = RecordError;

    async fn attempt(&self, tx: &mut Tx) -> Result<Vec<Recorded>, RecordError> {
        Door::open(self.store, tx, self.handed).await?.run(tx).await
    }
}

/// Records new entries about clamps that are locked already, in the transaction in which they are, under ids that the service
/// itself derived. Answers how many.
pub(crate) async fn record_locked(
    tx: &mut Tx,
    reference: Arc<Reference>,
    subjects: BTreeMap<ClampId, Subject>,
    recording: Recording,
) -> Result<u64, RecordError> {
    let handed = Handed::of(recording)?;
    let mut door = Door::of(&handed, reference, subjects, BTreeMap::new());
    door.judge(tx).await?;
    let judged = std::mem::take(&mut door.judged);
    let appended = settle(tx, &mut door.subjects, judged, &door.reference).await?;
    Ok(u64::try_from(appended.len()).unwrap_or(u64::MAX))
}

/// One attempt.
pub(super) struct Door<'a> {
    pub(super) recording: &'a Recording,
    hashes: &'a BTreeMap<EntryId, Hash>,
    pub(super) reference: Arc<Reference>,
    pub(super) subjects: BTreeMap<ClampId, Subject>,
    pub(super) known: BTreeMap<EntryId, Known>,
    /// What comes with the entries that were written on a device.
    pub(super) from_device: BTreeMap<EntryId, FromDevice>,
    pub(super) judged: Vec<Judged>,
    /// The cited photos that have not arrived.
    missing: BTreeSet<PhotoDigest>,
    /// What of the judged ones the author is shown.
    pub(super) shown: BTreeMap<EntryId, Option<Outcome>>,
}

/// Writes what was judged. Where something is appended, the append sees to it that the reference data did not move on.
pub(super) async fn settle(
    tx: &mut Tx,
    subjects: &mut BTreeMap<ClampId, Subject>,
    judged: Vec<Judged>,
    reference: &Reference,
) -> Result<BTreeMap<EntryId, Appended>, StoreError> {
    settle_with(tx, subjects, judged, Vec::new(), reference).await
}

/// The same with rows of other streams beside those of the clamps.
pub(super) async fn settle_with(
    tx: &mut Tx,
    subjects: &mut BTreeMap<ClampId, Subject>,
    judged: Vec<Judged>,
    beside: Vec<LedgerRow>,
    reference: &Reference,
) -> Result<BTreeMap<EntryId, Appended>, StoreError> {
    if judged.is_empty() && beside.is_empty() && current_version(tx).await? != reference.version {
        return Err(StoreError::ReferenceMoved);
    }
    let appended = write::write_with(tx, subjects, judged, beside, reference).await?;
    Ok(appended
        .into_iter()
        .map(|row| (EntryId::new(row.id), row))
        .collect())
}

impl<'a> Door<'a> {
    async fn open(store: &Store, tx: &mut Tx, handed: &'a Handed) -> Result<Self, RecordError> {
        let locked = locks::take(store, tx, &handed.recording.entries).await?;
        let ids: Vec<Uuid> = handed.hashes.keys().map(|id| id.uuid()).collect();
        let known = known::look_up(tx, &ids).await?;
        Ok(Self::of(handed, locked.reference, locked.subjects, known))
    }

    /// With everything locked and looked up.
    pub(super) fn of(
        handed: &'a Handed,
        reference: Arc<Reference>,
        subjects: BTreeMap<ClampId, Subject>,
        known: BTreeMap<EntryId, Known>,
    ) -> Self {
        Self {
            recording: &handed.recording,
            hashes: &handed.hashes,
            reference,
            subjects,
            known,
            from_device: BTreeMap::new(),
            judged: Vec::new(),
            missing: BTreeSet::new(),
            shown: BTreeMap::new(),
        }
    }

    async fn run(mut self, tx: &mut Tx) -> Result<Vec<Recorded>, RecordError> {
        self.judge(tx).await?;
        let judged = std::mem::take(&mut self.judged);
        let appended = settle(tx, &mut self.subjects, judged, &self.reference).await?;
        self.answers(tx, &appended)
    }

    /// Gives its clamps and what was judged to be written with others'.
    pub(super) fn hand_over(&mut self, subjects: &mut BTreeMap<ClampId, Subject>, judged: &mut Vec<Judged>) {
        subjects.append(&mut self.subjects);
        judged.append(&mut self.judged);
    }

    /// Takes its clamp back.
    pub(super) fn take_back(&mut self, clamp: ClampId, subjects: &mut BTreeMap<ClampId, Subject>) {
        self.subjects.extend(subjects.remove_entry(&clamp));
    }

    /// Looks which of the cited photos have not arrived.
    pub(super) async fn look_for_photos(&mut self, tx: &mut Tx) -> Result<(), StoreError> {
        let bodies = self.recording.entries.iter().map(|new| &new.body);
        let cited = bodies.flat_map(Body::photos).collect();
        let author = self.author();
        let by = [Some(author.person.uuid()), author.device.map(DeviceId::uuid)];
        let by: Vec<Uuid> = by.into_iter().flatten().collect();
        self.missing = photos::missing(tx, &cited, &by, &author.yards).await?;
        Ok(())
    }

    /// Judges every entry in the order given; nothing is written.
    pub(super) async fn judge(&mut self, tx: &mut Tx) -> Result<(), RecordError> {
        self.look_for_photos(tx).await?;
        for new in &self.recording.entries {
            if let Some(known) = self.known.get(&new.id) {
                let same = self
                    .hashes
                    .get(&new.id)
                    .is_some_and(|hash| known.is_again(hash, self.author().person));
                if !same && !self.is_again_following(tx, new, known).await? {
                    return Err(RecordError::IdReused { entry: new.id });
                }
            } else if self.judged.iter().all(|judged| judged.entry.id != new.id) {
                self.admit(new)?;
                self.take_with_what_follows(tx, new).await?;
            }
        }
        self.finish_judging(tx).await
    }

    /// Everything is judged: what of it the author is shown is fixed, and every state is brought up to date.
    pub(super) async fn finish_judging(&mut self, tx: &mut Tx) -> Result<(), RecordError> {
        let yards = &self.author().yards;
        self.shown = self
            .judged
            .iter()
            .map(|judged| {
                let theirs = judged.yards.iter().any(|yard| yards.covers(*yard));
                (judged.entry.id, theirs.then(|| judged.outcome.clone()))
            })
            .collect();
        for subject in self.subjects.values_mut() {
            subject.bring_up_to_date(tx, &self.reference).await?;
        }
        Ok(())
    }

    /// Whether it is the same again, although its predecessor was named when it was recorded.
    async fn is_again_following(
        &self,
        tx: &mut Tx,
        new: &NewEntry,
        known: &Known,
    ) -> Result<bool, RecordError> {
        if judging::predecessor(&new.body) != Some(None) {
            return Ok(false);
        }
        let recorded = entries::by_id(tx, new.clamp_id, &[new.id.uuid()]).await?;
        let Some(predecessor) = recorded
            .first()
            .and_then(|entry| judging::predecessor(&entry.body))
        else {
            return Ok(false);
        };
        let mut as_recorded = new.clone();
        judging::name_predecessor(&mut as_recorded.body, predecessor);
        Ok(known.is_again(&as_recorded.content_hash()?, self.author().person))
    }

    pub(super) fn author(&self) -> &'a Author {
        &self.recording.author
    }

    /// Whether the author may write this about this clamp at all.
    fn admit(&self, new: &NewEntry) -> Result<(), RecordError> {
        let not_found = RecordError::NotFound { entry: new.id };
        let subject = self.subjects.get(&new.clamp_id);
        let yards = &self.author().yards;
        match subject {
            Some(subject) if subject.is_known() => {
                if !subject.is_in(yards) && !new.restricts() {
                    return Err(not_found);
                }
            }
            // A row that was made for a registration just now.
            Some(_) if matches!(new.body, Body::Registered(_)) => {
                if !new.named_yard().is_some_and(|(_, yard)| yards.covers(yard)) {
                    return Err(not_found);
                }
            }
            Some(_) | None => return Err(not_found),
        }
        self.names_what_exists(new)
    }

    /// A clamp that was moved to a yard or made a model that nobody knows could not be judged any more.
    pub(super) fn names_what_exists(&self, new: &NewEntry) -> Result<(), RecordError> {
        let yard = new
            .named_yard()
            .filter(|(_, yard)| !self.reference.yards.contains_key(yard));
        let model = new
            .named_model()
            .filter(|(_, model)| !self.reference.models.contains_key(model));
        let errors: Vec<InputError> = [
            yard.map(|(pointer, _)| (pointer, "there is no such yard")),
            model.map(|(pointer, _)| (pointer, "there is no such model")),
        ]
        .into_iter()
        .flatten()
        .map(|(pointer, detail)| InputError {
            pointer: pointer.to_owned(),
            code: "unknown",
            detail: detail.to_owned(),
        })
        .collect();
        if errors.is_empty() {
            Ok(())
        } else {
            Err(RecordError::Malformed {
                entry: new.id,
                errors,
            })
        }
    }

    /// The digest of what an entry says.
    pub(super) fn hash_of(&self, new: &NewEntry) -> Result<Hash, StoreError> {
        self.hashes
            .get(&new.id)
            .copied()
            .map_or_else(|| new.content_hash(), Ok)
    }

    /// Takes an entry, and those that follow from it.
    pub(super) async fn take_with_what_follows(
        &mut self,
        tx: &mut Tx,
        new: &NewEntry,
    ) -> Result<(), RecordError> {
        let hash = self.hash_of(new)?;
        self.take(tx, new, hash).await?;
        let rivals = numbers::claim(new, &mut self.subjects, &self.reference, tx.now());
        if !rivals.is_empty() && self.recording.mode == Mode::Refuse {
            return Err(RecordError::NumberTaken { entry: new.id });
        }
        let doubts = self
            .judged
            .last()
            .map(|taken| numbers::doubts(&taken.entry, &rivals));
        let mut follow: VecDeque<NewEntry> = doubts.unwrap_or_default().into();
        while let Some(next) = follow.pop_front() {
            let hash = next.content_hash()?;
            self.take(tx, &next, hash).await?;
        }
        Ok(())
    }

    /// Judges an entry and takes it up.
    async fn take(&mut self, tx: &mut Tx, new: &NewEntry, content_hash: Hash) -> Result<(), RecordError> {
        let author = self.author();
        let subject = self
            .subjects
            .get_mut(&new.clamp_id)
            .ok_or(RecordError::NotFound { entry: new.id })?;
        subject.bring_up_to_date(tx, &self.reference).await?;
        let (entry, remarks) = match self.from_device.get(&new.id) {
            Some(device) => {
                judging::fixed_from_device(new, author, subject, &self.reference, device, tx.now())?
            }
            None => {
                let mode = self.recording.mode;
                let entry = judging::fixed(new, author, subject, &self.reference, mode, tx.now())?;
                (entry, Vec::new())
            }
        };
        let content_hash = if entry.body == new.body {
            content_hash
        } else {
            NewEntry {
                body: entry.body.clone(),
                ..new.clone()
            }
            .content_hash()?
        };
        let evidence = subject.prepare(tx, &entry).await?;
        let before = subject.state.clone();
        let from_outside = subject.is_from_outside(&author.yards);
        subject.take_up(tx, &entry, &evidence, &self.reference).await?;
        let mut judgement = judge(&before, &subject.state, &entry, &evidence, &self.reference);
        // Of a clamp outside one's yards a refusal would tell what it is; what restricts is recorded instead.
        if !judgement.refusals.is_empty() && self.recording.mode == Mode::Refuse && !from_outside {
            return Err(RecordError::Refused {
                entry: new.id,
                refusals: judgement.refusals,
            });
        }
        judgement.outcome.remarks.extend(remarks);
        if entry.performed_at > entry.counted_at && entry.performed_at > tx.now() {
            judgement.outcome.remarks.push(Remark {
                code: RemarkCode::ClockAhead,
                detail: "The time told lies ahead of the server's; it counts as of now.".to_owned(),
            });
        }
        judgement
            .outcome
            .remarks
            .extend(photos::pending(&new.body, &self.missing));
        let mut yards = before.yards();
        yards.extend(subject.state.yards());
        yards.sort_unstable();
        yards.dedup();
        self.judged.push(Judged {
            entry,
            content_hash,
            outcome: judgement.outcome,
            yards,
            recorded_by: author.person,
            sight: author.yards.clone(),
        });
        Ok(())
    }
}
