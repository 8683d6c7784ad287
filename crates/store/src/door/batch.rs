//! Entries that were written without the service and come many at a time: each has an outcome of its own, in one
//! transaction and without savepoints. What cannot be taken changes nothing, and whoever handed it in keeps it otherwise.
//!
//! What restricts a clamp that is there is always taken. Where the entries go when they are not is not decided here.

use super::error::RecordError;
use super::judging;
use super::known;
use super::locks;
use super::record::{Door, Handed, settle_with};
use super::types::{Author, FromDevice, Mode, NewEntry, Recorded, Recording};
use crate::ledger::{Appended, Hash, LedgerRow};
use crate::{Store, StoreError, Tx};
use clampward_domain::entry::{Body, Entry, InputError};
use clampward_domain::finding::Readings;
use clampward_domain::ids::{ClampId, EntryId, YardId};
use clampward_domain::reference::{Reference, YardScope};
use clampward_domain::standing::Standing;
use std::collections::BTreeMap;
use uuid::Uuid;

/// What of a batch is to be locked, looked up and perhaps taken.
pub(crate) struct ToTake {
    handed: Handed,
    from_device: BTreeMap<EntryId, FromDevice>,
}

impl ToTake {
    pub(crate) fn by(author: Author) -> Self {
        Self {
            handed: Handed {
                recording: Recording {
                    author,
                    mode: Mode::Record,
                    entries: Vec::new(),
                },
                hashes: BTreeMap::new(),
            },
            from_device: BTreeMap::new(),
        }
    }
    /// Adds an entry; without what comes from a device it is one that the service itself derives, or one that is
    /// recorded already and whose clamp's standing is asked for. The first one of an id counts.
    pub(crate) fn add(&mut self, new: NewEntry, hash: Hash, device: Option<FromDevice>) {
        if self.handed.hashes.contains_key(&new.id) {
            return;
        }
        self.handed.hashes.insert(new.id, hash);
        if let Some(device) = device {
            self.from_device.insert(new.id, device);
        }
        self.handed.recording.entries.push(new);
    }
}

/// Whether an entry was taken.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Taken {
    /// It is going to be recorded.
    Yes,
    /// Somebody recorded the same meanwhile.
    Already,
    /// Its id was used meanwhile for something else.
    Reused,
    /// The clamp is not there, or in none of the yards.
    NotFound,
    /// Its device was revoked before it was written, and it does not restrict.
    Revoked,
    /// It names a yard, a model or versions that nobody knows.
    UnknownReference(Vec<InputError>),
}

impl Taken {
    fn of(error: RecordError) -> Result<Self, StoreError> {
        match error {
            RecordError::Store(error) => Err(error),
            RecordError::Malformed { errors, .. } => Ok(Self::UnknownReference(errors)),
            RecordError::IdReused { .. } => Ok(Self::Reused),
            RecordError::NotFound { .. }
            | RecordError::Refused { .. }
            | RecordError::NumberTaken { .. }
            | RecordError::TooMany(_) => Ok(Self::NotFound),
        }
    }
}

/// Why a registration cannot be taken, seen before a row is made for its clamp.
pub(crate) fn against_registration(
    new: &NewEntry,
    yards: &YardScope,
    reference: &Reference,
) -> Option<Taken> {
    let Body::Registered(body) = &new.body else {
        return None;
    };
    let unknown = |pointer: &str, what: &str| {
        Taken::UnknownReference(vec![InputError {
            pointer: pointer.to_owned(),
            code: "unknown",
            detail: format!("there is no such {what}"),
        }])
    };
    if !reference.yards.contains_key(&body.yard_id) {
        return Some(unknown("/body/yard_id", "yard"));
    }
    if !reference.models.contains_key(&body.model_id) {
        return Some(unknown("/body/model_id", "model"));
    }
    if let Some(told) = &new.judged_by
        && let Err(error) = judging::check(new.id, told, reference)
    {
        return Taken::of(error).ok();
    }
    (!yards.covers(body.yard_id)).then_some(Taken::NotFound)
}

/// A batch under lock.
pub(crate) struct Batch<'a> {
    door: Door<'a>,
    /// Whether somebody else used an id of it meanwhile.
    is_raced: bool,
}

impl<'a> Batch<'a> {
    /// Locks everything that the entries need and looks their ids up once more.
    pub(crate) async fn open(store: &Store, tx: &mut Tx, to_take: &'a ToTake) -> Result<Self, StoreError> {
        let locked = locks::take(store, tx, &to_take.handed.recording.entries).await?;
        let ids: Vec<Uuid> = to_take.handed.hashes.keys().map(|id| id.uuid()).collect();
        let known = known::look_up(tx, &ids).await?;
        let mut door = Door::of(&to_take.handed, locked.reference, locked.subjects, known);
        door.from_device.clone_from(&to_take.from_device);
        door.look_for_photos(tx).await?;
        Ok(Self {
            door,
            is_raced: false,
        })
    }
    pub(crate) fn reference(&self) -> &Reference {
        &self.door.reference
    }
    /// Whether something is known of a clamp, which is under lock here.
    pub(crate) fn knows(&self, clamp: ClampId) -> bool {
        self.door
            .subjects
            .get(&clamp)
            .is_some_and(|subject| subject.is_known())
    }
    /// Whether a row was made for a registration that is not taken, or not yet: it must not stay.
    pub(crate) fn has_blank(&self) -> bool {
        self.door.subjects.values().any(|subject| subject.stays_blank())
    }
    /// The yards of a clamp.
    pub(crate) fn yards_of(&self, clamp: ClampId) -> Vec<YardId> {
        let subject = self.door.subjects.get(&clamp);
        subject.map(|subject| subject.state.yards()).unwrap_or_default()
    }

    /// Takes an entry, and those that follow from it.
    pub(crate) async fn take(&mut self, tx: &mut Tx, id: EntryId) -> Result<Taken, StoreError> {
        let recording = self.door.recording;
        let Some(new) = recording.entries.iter().find(|entry| entry.id == id) else {
            return Ok(Taken::NotFound);
        };
        let hash = self.door.hash_of(new)?;
        if let Some(known) = self.door.known.get(&id) {
            self.is_raced = true;
            return Ok(if known.says(&hash) {
                Taken::Already
            } else {
                Taken::Reused
            });
        }
        if self.door.judged.iter().any(|judged| judged.entry.id == id) {
            return Ok(Taken::Already);
        }
        if let Some(against) = self.against(tx, new).await? {
            return Ok(against);
        }
        match self.door.take_with_what_follows(tx, new).await {
            Ok(()) => Ok(Taken::Yes),
            Err(error) => Taken::of(error),
        }
    }

    /// Bars a clamp by an entry that the service derives itself; one that is there already bars already.
    pub(crate) async fn bar(&mut self, tx: &mut Tx, new: &NewEntry) -> Result<(), StoreError> {
        let again = self.door.known.contains_key(&new.id)
            || self.door.judged.iter().any(|judged| judged.entry.id == new.id);
        if again || !self.knows(new.clamp_id) {
            return Ok(());
        }
        match self.door.take_with_what_follows(tx, new).await {
            Ok(()) => Ok(()),
            Err(error) => Taken::of(error).map(|_| ()),
        }
    }

    async fn against(&mut self, tx: &mut Tx, new: &NewEntry) -> Result<Option<Taken>, StoreError> {
        if let Err(error) = self.door.names_what_exists(new) {
            return Taken::of(error).map(Some);
        }
        let Some(device) = self.door.from_device.get(&new.id).cloned() else {
            return Ok(Some(Taken::NotFound));
        };
        let Some(subject) = self.door.subjects.get(&new.clamp_id) else {
            return Ok(Some(Taken::NotFound));
        };
        if !subject.is_known() {
            let registers = matches!(new.body, Body::Registered(_));
            return Ok((!registers).then_some(Taken::NotFound));
        }
        let is_outside = !subject.has_been_in(&device.yards);
        let is_revoked = device.distrusted.is_some();
        let is_unknown = match &new.judged_by {
            Some(told) => judging::check(new.id, told, &self.door.reference).is_err(),
            None => false,
        };
        if !is_outside && !is_revoked && !is_unknown {
            return Ok(None);
        }
        let comes_to = self.judged_by_what_is_in_force(tx, new, &device).await?;
        let restricts = new.restricts() || comes_to.is_some_and(|opens| opens && only_restricts(&new.body));
        if let Some(device) = self.door.from_device.get_mut(&new.id) {
            device.restricts = restricts;
        }
        Ok(match restricts {
            true => None,
            false if is_revoked => Some(Taken::Revoked),
            false => is_outside.then_some(Taken::NotFound),
        })
    }

    /// Whether an entry that is not taken opens a lock-out on a clamp which is under lock here. What cannot be judged does.
    pub(crate) async fn would_bar(
        &mut self,
        tx: &mut Tx,
        new: &NewEntry,
        device: &FromDevice,
    ) -> Result<bool, StoreError> {
        let opens = new.restricts()
            || self
                .judged_by_what_is_in_force(tx, new, device)
                .await?
                .unwrap_or(true);
        Ok(opens)
    }

    /// Whether it opens a lock-out by itself, whatever it says that it was judged by: of a tick that a measurement overrules
    /// its words do not tell. Nothing where it cannot be judged.
    async fn judged_by_what_is_in_force(
        &mut self,
        tx: &mut Tx,
        new: &NewEntry,
        device: &FromDevice,
    ) -> Result<Option<bool>, StoreError> {
        let author = self.door.author();
        let reference = std::sync::Arc::clone(&self.door.reference);
        let Some(subject) = self.door.subjects.get_mut(&new.clamp_id) else {
            return Ok(None);
        };
        subject.bring_up_to_date(tx, &reference).await?;
        let anew = NewEntry {
            judged_by: None,
            ..new.clone()
        };
        let fixed = judging::fixed_from_device(&anew, author, subject, &reference, device, tx.now());
        Ok(fixed.ok().map(|(entry, _)| opens(&entry, subject, &reference)))
    }

    /// Writes everything, `rows` of other streams beside it.
    pub(crate) async fn settle(
        mut self,
        tx: &mut Tx,
        rows: Vec<LedgerRow>,
    ) -> Result<Settled<'a>, StoreError> {
        // A row was made for a registration that then was not taken: somebody else's came before.
        let blank = self.door.subjects.values().find(|subject| subject.stays_blank());
        if let Some(blank) = blank {
            return Err(if self.is_raced {
                StoreError::IdRaced
            } else {
                StoreError::Inconsistent {
                    table: "clamp",
                    column: "state",
                    id: blank.clamp.uuid(),
                    detail: "a registration was admitted and not taken".to_owned(),
                }
            });
        }
        match self.door.finish_judging(tx).await {
            Ok(()) => {}
            Err(RecordError::Store(error)) => return Err(error),
            Err(_) => return Err(StoreError::IdRaced),
        }
        let judged = std::mem::take(&mut self.door.judged);
        let reference = std::sync::Arc::clone(&self.door.reference);
        let appended = settle_with(tx, &mut self.door.subjects, judged, rows, &reference).await?;
        // Once for each clamp, however many entries are about it.
        let clamps = self.door.subjects.keys();
        let standings = clamps
            .filter_map(|clamp| Some((*clamp, self.door.standing_now(tx, *clamp)?)))
            .collect();
        Ok(Settled {
            door: self.door,
            appended,
            standings,
        })
    }
}

/// Whether an entry by itself opens a lock-out on this clamp, by what it was judged by or by the clamp's own, as known now. A
/// reading by itself says no less than after others, so that none has to arrive before another one. The lowest rating may
/// still fall: what waits to be recorded is asked about anew with each try and restricts then; what was only weighed and left
/// the clamp alone is not weighed again and waits for a person.
fn opens(entry: &Entry, subject: &super::subject::Subject, reference: &Reference) -> bool {
    let opened = subject.state.opened_by(entry, &Readings::new(), reference);
    !opened.is_empty()
}

/// Whether a body does nothing else where it opens a lock-out. A registration and a word on an earlier entry do more.
fn only_restricts(body: &Body) -> bool {
    match body {
        Body::TaggedOut(_)
        | Body::Inspected(_)
        | Body::ProofTested(_)
        | Body::Repaired(_)
        | Body::Used(_) => true,
        Body::Registered(_)
        | Body::ReturnedToService(_)
        | Body::Confirmed(_)
        | Body::Transferred(_)
        | Body::Issued(_)
        | Body::Received(_)
        | Body::Classified(_)
        | Body::Amended(_)
        | Body::Retired(_)
        | Body::Reassessed(_) => false,
    }
}

/// A batch that is written.
pub(crate) struct Settled<'a> {
    door: Door<'a>,
    appended: BTreeMap<EntryId, Appended>,
    standings: BTreeMap<ClampId, Standing>,
}

impl Settled<'_> {
    /// What is answered of an entry that was taken, or was there already.
    pub(crate) fn answer(&self, id: EntryId) -> Result<Recorded, StoreError> {
        let entries = &self.door.recording.entries;
        let missing = || StoreError::Inconsistent {
            table: "ledger",
            column: "id",
            id: id.uuid(),
            detail: "an entry that was taken is not there".to_owned(),
        };
        let new = entries.iter().find(|entry| entry.id == id).ok_or_else(missing)?;
        let state_now = self.standings.get(&new.clamp_id).cloned();
        match self.door.answer_of(new, &self.appended, state_now) {
            Ok(recorded) => Ok(recorded),
            Err(RecordError::Store(error)) => Err(error),
            Err(_) => Err(missing()),
        }
    }
}
