//! A service in memory: one ledger, entries by id, states by the fold, pages and snapshots out of them.
//!
//! It keeps the promises that the device relies on and no more: it is slow, small and obvious.

use crate::domain::{History, World, at, id};
use clampward_domain::entry::{Body, Entry, JudgedBy};
use clampward_domain::fold::{ClampState, fold};
use clampward_domain::ids::{ClampId, EntryId, YardId};
use clampward_domain::mark::exact_key;
use clampward_domain::words::InspectionKind;
use clampward_field::core::{Answer, Refused, SnapshotPart};
use clampward_field::failure::Done;
use clampward_field::session::{Asked, Question, Transport};
use clampward_field::transport::lenient;
use clampward_wire::problem::{Kind, Problem};
use clampward_wire::sync::pull::{
    Changes, ClampLine, ClampWord, FeedRow, Receipt, Receipts, ReferenceLine, STATE_FORMAT, SnapshotClamp,
    SnapshotEnd, SnapshotHead, SnapshotLine, SyncConfig, YardChanges,
};
use clampward_wire::sync::push::{HeldReason, PushEntry, PushOutcome, PushReply, PushRequest, PushResult};
use jiff::{SignedDuration, Timestamp};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// A row of the ledger.
#[derive(Clone)]
struct Row {
    clamp: ClampId,
    yards: BTreeSet<YardId>,
    id: EntryId,
}

/// What became of an entry.
#[derive(Clone)]
struct Known {
    content: Value,
    outcome: PushOutcome,
    position: Option<u64>,
}

/// The service.
#[derive(Clone)]
pub struct Service {
    pub world: World,
    pub now: Timestamp,
    pub epoch: u32,
    /// Changes whenever history does: part of every cursor.
    pub history: u64,
    pub granted: BTreeSet<YardId>,
    pub stable: Option<u64>,
    pub most_entries: u64,
    /// Clamps of one part of a snapshot's answer.
    pub snapshot_part: usize,
    /// The form in which it hands out clamps.
    pub state_format: u32,
    /// Rows of one page.
    pub page: usize,
    /// Entries that are answered `retry` so many times more.
    pub retries: BTreeMap<EntryId, u32>,
    /// Entries that make the whole batch a 400.
    pub poison: BTreeSet<EntryId>,
    /// Cursors older than this position are too old.
    pub floor: u64,
    /// A copy of the device is noticed at the next push: it goes on under this number.
    pub fork: Option<u32>,
    /// The next push is answered with so many seconds to wait.
    pub busy_seconds: Option<u32>,
    /// Every push as it came.
    pub pushes: Vec<PushRequest>,
    /// Every question in one word.
    pub asked: Vec<String>,
    /// What a later version says otherwise: of pushes and receipts.
    pub says: fn(&mut Value),
    /// The next snapshot breaks off after so many parts.
    pub breaks_after: Option<usize>,
    ledger: Vec<Row>,
    entries: BTreeMap<ClampId, Vec<Entry>>,
    lines: BTreeMap<ClampId, (u64, ClampState)>,
    known: BTreeMap<EntryId, Known>,
    receipts: BTreeMap<(u32, u64), Vec<EntryId>>,
    clamps: u128,
}

impl Service {
    pub fn new(world: World) -> Self {
        Self {
            world,
            now: at(super::NOON),
            epoch: 1,
            history: 1,
            granted: BTreeSet::new(),
            stable: None,
            most_entries: 500,
            snapshot_part: 100,
            state_format: STATE_FORMAT,
            page: 200,
            retries: BTreeMap::new(),
            poison: BTreeSet::new(),
            floor: 0,
            fork: None,
            busy_seconds: None,
            pushes: Vec::new(),
            asked: Vec::new(),
            says: |_| {},
            breaks_after: None,
            ledger: Vec::new(),
            entries: BTreeMap::new(),
            lines: BTreeMap::new(),
            known: BTreeMap::new(),
            receipts: BTreeMap::new(),
            clamps: 0,
        }
    }

    pub fn grant(&mut self, yard: &str) {
        self.granted.insert(id(yard));
    }
    pub fn withdraw(&mut self, yard: &str) {
        self.granted.remove(&id(yard));
    }
    pub fn head(&self) -> u64 {
        self.ledger.len() as u64
    }
    /// A clamp with its registration and a credited initial inspection of early January 2025.
    pub fn clamp_in_service(&mut self, yard: &str, mark: &str) -> ClampId {
        self.clamps += 1;
        let clamp = ClampId::new(Uuid::from_u128(0xc1a0_0000_0000 + self.clamps));
        let mut history = History::new(self.world.clone(), yard);
        history.clamp = clamp;
        let registration = history.registered("2025-01-02T15:00Z", |body| {
            body.asset_mark = mark.to_owned();
            body.serial_number = Some(format!("S-{mark}"));
        });
        let inspection = history.accepted("2025-01-19T15:00Z", "inspector", InspectionKind::Initial);
        for (n, old) in [(1, registration), (2, inspection)] {
            let mut entry = history.entry(old).clone();
            entry.id = EntryId::new(Uuid::from_u128(0xe000_0000_0000 + self.clamps * 10 + n));
            self.record(entry);
        }
        clamp
    }
    /// Writes something about a clamp as somebody elsewhere would.
    pub fn write(&mut self, clamp: ClampId, yard: &str, by: &str, body: impl Into<Body>) -> EntryId {
        let n = self.head();
        let entry = Entry {
            id: EntryId::new(Uuid::from_u128(0xf000_0000_0000 + u128::from(n))),
            clamp_id: clamp,
            performed_at: self.now,
            counted_at: self.now,
            performed_by: id(by),
            device_id: None,
            judged_by: self.judged_by(yard),
            signed: true,
            placed: false,
            body: body.into(),
        };
        let id = entry.id;
        self.record(entry);
        id
    }
    pub fn judged_by(&self, yard: &str) -> JudgedBy {
        let yard_id: YardId = id(yard);
        JudgedBy {
            yard_id,
            yard_version: 1,
            rule_set: self.world.reference.yards[&yard_id].0[0].value.rule_set,
            rule_set_version: 1,
            model_id: id("GF-3"),
            model_version: 1,
        }
    }

    fn record(&mut self, entry: Entry) -> u64 {
        let (clamp, entry_id) = (entry.clamp_id, entry.id);
        let before: BTreeSet<YardId> = self
            .lines
            .get(&clamp)
            .map(|(_, state)| state.yards().into_iter().collect())
            .unwrap_or_default();
        let entries = self.entries.entry(clamp).or_default();
        entries.push(entry);
        let state = fold(clamp, entries, &self.world.reference);
        let yards = before.into_iter().chain(state.yards()).collect();
        self.ledger.push(Row {
            clamp,
            yards,
            id: entry_id,
        });
        let position = self.head();
        self.lines.insert(clamp, (position, state));
        position
    }

    pub fn state(&self, clamp: ClampId) -> &ClampState {
        &self.lines[&clamp].1
    }
    /// A person dismisses an entry that is held.
    pub fn dismiss(&mut self, entry: EntryId) {
        let known = self.known.get_mut(&entry).unwrap();
        assert_eq!(known.outcome, PushOutcome::Held);
        known.outcome = PushOutcome::Dismissed;
    }
    pub fn is_recorded(&self, entry: EntryId) -> bool {
        self.known
            .get(&entry)
            .is_some_and(|known| known.outcome == PushOutcome::Recorded)
    }
    /// How often an entry stands in the ledger.
    pub fn times(&self, entry: EntryId) -> usize {
        self.ledger.iter().filter(|row| row.id == entry).count()
    }
    /// Clamps and their positions of the yards that are granted.
    pub fn granted_clamps(&self) -> BTreeMap<ClampId, (u64, ClampState)> {
        self.lines
            .iter()
            .filter(|(_, (_, state))| state.yards().iter().any(|yard| self.granted.contains(yard)))
            .map(|(clamp, line)| (*clamp, line.clone()))
            .collect()
    }

    /// An older backup is put back: positions are used again, and the epoch is raised.
    pub fn restore(&mut self, backup: &Self) {
        let (epoch, asked, pushes) = (self.epoch, self.asked.clone(), self.pushes.clone());
        let (now, granted) = (self.now, self.granted.clone());
        *self = backup.clone();
        self.epoch = epoch + 1;
        self.history += 1000;
        (self.asked, self.pushes, self.now, self.granted) = (asked, pushes, now, granted);
    }

    fn cursor(&self, yard: YardId, position: u64) -> String {
        format!("{}.{}.{position}.{yard}", self.epoch, self.history)
    }

    fn reference(&self) -> Vec<ReferenceLine> {
        let reference = &self.world.reference;
        let yards = reference
            .yards
            .iter()
            .map(|(yard_id, versions)| ReferenceLine::Yard {
                yard_id: *yard_id,
                versions: versions.clone(),
            });
        let models = reference
            .models
            .iter()
            .map(|(model_id, versions)| ReferenceLine::Model {
                model_id: *model_id,
                versions: versions.clone(),
            });
        let people = reference
            .people
            .iter()
            .map(|(person_id, person)| ReferenceLine::Person {
                person_id: *person_id,
                person: person.clone(),
            });
        yards.chain(models).chain(people).collect()
    }

    fn config(&self) -> SyncConfig {
        SyncConfig {
            server_time: self.now,
            entries_per_push: self.most_entries,
            push_bytes: 4 * 1024 * 1024,
            entry_bytes: 64 * 1024,
            rows_per_page: 200,
            wait_seconds: 25,
            cursor_days: 180,
            photo_bytes: 0,
            photo_piece_bytes: 0,
            oldest_client: "0.1.0".to_owned(),
            state_format: self.state_format,
            yards: self.granted.iter().copied().collect(),
        }
    }

    fn received_to(&self, number: u32) -> u64 {
        self.receipts
            .range((number, 0)..=(number, u64::MAX))
            .next_back()
            .map_or(0, |((_, seq), _)| *seq)
    }
    fn missing(&self, number: u32) -> Vec<(u64, u64)> {
        let mut missing = Vec::new();
        let mut next = 1;
        for (_, seq) in self
            .receipts
            .range((number, 0)..=(number, u64::MAX))
            .map(|(key, _)| *key)
        {
            if seq > next {
                missing.push((next, seq - 1));
            }
            next = seq + 1;
        }
        missing
    }
    fn stable(&self) -> u64 {
        self.stable.unwrap_or_else(|| self.head())
    }

    fn receipts(&self, number: u32, from: u64) -> Answer {
        let items: Vec<Receipt> = self
            .receipts
            .range((number, from)..=(number, u64::MAX))
            .take(50)
            .flat_map(|((_, seq), ids)| ids.iter().map(move |id| (*seq, *id)))
            .map(|(device_seq, entry_id)| {
                let known = &self.known[&entry_id];
                Receipt {
                    device_seq,
                    entry_id: Some(entry_id),
                    outcome: known.outcome,
                    held: None,
                    position: known.position,
                }
            })
            .collect();
        let last = items.last().map(|receipt| receipt.device_seq);
        let next = last
            .filter(|last| *last < self.received_to(number))
            .map(|last| last + 1);
        let mut told = serde_json::to_value(Receipts {
            items,
            next,
            received_to: self.received_to(number),
            missing: self.missing(number),
            stable_position: self.stable(),
        })
        .unwrap();
        (self.says)(&mut told);
        Answer::Receipts(lenient::receipts(told).unwrap())
    }

    fn push(&mut self, push: &PushRequest) -> Answer {
        let number = push.device_number.unwrap();
        let ids: Vec<EntryId> = push
            .entries
            .iter()
            .map(|raw| raw["id"].as_str().unwrap().parse().unwrap())
            .collect();
        if ids.iter().any(|id| self.poison.contains(id)) {
            return refused(400, "malformed-json", "The body cannot be read.");
        }
        if ids.len() as u64 > self.most_entries {
            return refused(413, "body-too-large", "Too many entries.");
        }
        let mut results = Vec::new();
        let forked = self.fork.take();
        for (index, raw) in push.entries.iter().enumerate() {
            results.push(self.one(index as u32, number, raw));
        }
        let mut told = serde_json::to_value(PushReply {
            results,
            stable_position: self.stable(),
            received_to: self.received_to(number),
            missing: self.missing(number),
            server_time: self.now,
            device_number: forked,
            wait_seconds: self.busy_seconds.take(),
        })
        .unwrap();
        (self.says)(&mut told);
        Answer::Pushed(Box::new(lenient::pushed(told).unwrap()))
    }

    fn one(&mut self, index: u32, number: u32, raw: &Value) -> PushResult {
        let entry: PushEntry = serde_json::from_value(raw.clone()).unwrap();
        let content = serde_json::json!([
            entry.clamp_id,
            entry.mark,
            entry.kind,
            entry.performed_at,
            entry.performed_by,
            entry.body
        ]);
        let mut result = PushResult {
            index,
            id: Some(entry.id),
            outcome: PushOutcome::Retry,
            held: None,
            seq: None,
            position: None,
            recorded_at: None,
            remarks: Vec::new(),
            result: None,
            state_now: None,
            problem: None,
        };
        if let Some(left) = self.retries.get_mut(&entry.id).filter(|left| **left > 0) {
            *left -= 1;
            return result;
        }
        if let Some(known) = self.known.get(&entry.id).cloned() {
            let same = known.content == content;
            result.position = known.position.filter(|_| same);
            result.outcome = match known.outcome {
                PushOutcome::Recorded if same => PushOutcome::AlreadyRecorded,
                PushOutcome::Held | PushOutcome::Dismissed if same => PushOutcome::Held,
                _ => PushOutcome::Refused,
            };
        } else {
            let clamp = entry.clamp_id.or_else(|| {
                let key = exact_key(entry.mark.as_deref().unwrap());
                let bears =
                    |state: &ClampState| state.asset_mark().map(|mark| exact_key(&mark)) == Some(key.clone());
                self.lines
                    .iter()
                    .find(|(_, (_, state))| bears(state))
                    .map(|(clamp, _)| *clamp)
            });
            let clamp = clamp.filter(|clamp| self.lines.contains_key(clamp));
            match clamp {
                None => {
                    result.outcome = PushOutcome::Held;
                    result.held = Some(HeldReason::UnknownClamp);
                }
                Some(clamp) => {
                    result.outcome = PushOutcome::Recorded;
                    result.position = Some(self.take(clamp, &entry));
                }
            }
            self.known.insert(
                entry.id,
                Known {
                    content,
                    outcome: result.outcome,
                    position: result.position,
                },
            );
        }
        let receipts = self.receipts.entry((number, entry.device_seq)).or_default();
        if !receipts.contains(&entry.id) {
            receipts.push(entry.id);
        }
        result
    }

    fn take(&mut self, clamp: ClampId, entry: &PushEntry) -> u64 {
        let judged_by = match &entry.judged_by {
            Some(told) => told.clone().into(),
            None => {
                let yard = self.lines[&clamp].1.yards()[0];
                let mut by = self.judged_by("houston");
                by.yard_id = yard;
                by.rule_set = self.world.reference.yards[&yard].0[0].value.rule_set;
                by
            }
        };
        self.record(Entry {
            id: entry.id,
            clamp_id: clamp,
            performed_at: entry.performed_at,
            counted_at: entry.performed_at.min(self.now),
            performed_by: entry.performed_by,
            device_id: None,
            judged_by,
            signed: entry.signature.is_some(),
            placed: false,
            body: Body::from_json(entry.kind, entry.body.clone()).unwrap(),
        })
    }

    fn line(&self, yard: YardId, clamp: ClampId) -> ClampLine {
        let (position, state) = &self.lines[&clamp];
        ClampLine {
            clamp_id: clamp,
            position: *position,
            reference_version: 1,
            state: state.yards().contains(&yard).then(|| state.clone()),
        }
    }

    /// A clamp that left a yard, for a reader of these: where it is now is told only to whoever sees it there.
    fn left(&self, asked: &BTreeSet<YardId>, clamp: ClampId, row: u64) -> ClampLine {
        let (position, state) = &self.lines[&clamp];
        let is_seen = state.yards().iter().any(|yard| asked.contains(yard));
        ClampLine {
            clamp_id: clamp,
            position: if is_seen { *position } else { row },
            reference_version: u64::from(is_seen),
            state: None,
        }
    }

    fn changes(&self, cursors: &[(YardId, String)]) -> Answer {
        let asked: BTreeSet<YardId> = cursors.iter().map(|(yard, _)| *yard).collect();
        let yards = cursors
            .iter()
            .map(|(yard, cursor)| self.yard_changes(*yard, cursor, &asked))
            .collect();
        Answer::Changes(Changes {
            yards,
            granted: self.granted.iter().copied().collect(),
            server_time: self.now,
        })
    }

    fn yard_changes(&self, yard: YardId, cursor: &str, asked: &BTreeSet<YardId>) -> YardChanges {
        let mut changes = YardChanges {
            yard_id: yard,
            from: cursor.to_owned(),
            rows: Vec::new(),
            clamps: Vec::new(),
            reference: Vec::new(),
            next_cursor: cursor.to_owned(),
            more: false,
            known_position: 0,
            known_at: self.now,
            problem: None,
        };
        let parts: Vec<&str> = cursor.split('.').collect();
        let position: u64 = parts[2].parse().unwrap();
        let problem = if parts[0] != self.epoch.to_string() {
            Some((410, "epoch-changed"))
        } else if position < self.floor {
            Some((410, "cursor-expired"))
        } else if parts[1] != self.history.to_string() {
            Some((410, "cursor-diverged"))
        } else if !self.granted.contains(&yard) {
            Some((404, "not-found"))
        } else {
            None
        };
        if let Some((status, code)) = problem {
            changes.problem = Some(problem_of(status, code));
            return changes;
        }
        let behind: Vec<(u64, &Row)> = (1..)
            .zip(&self.ledger)
            .filter(|(at, row)| *at > position && row.yards.contains(&yard))
            .collect();
        let page: Vec<&(u64, &Row)> = behind.iter().take(self.page).collect();
        changes.more = page.len() < behind.len();
        let reached = if changes.more {
            page.last().map_or(position, |(at, _)| *at)
        } else {
            self.head()
        };
        let touched: BTreeMap<ClampId, u64> = page.iter().map(|(at, row)| (row.clamp, *at)).collect();
        changes.rows = page
            .iter()
            .map(|(at, row)| FeedRow {
                position: *at,
                id: row.id.uuid(),
                subject: row.clamp.uuid(),
                seq: 1,
                kind: "entry".to_owned(),
                recorded_at: self.now,
                entry: None,
            })
            .collect();
        changes.clamps = touched
            .into_iter()
            .map(|(clamp, row)| {
                let line = self.line(yard, clamp);
                match line.state {
                    Some(_) => line,
                    None => self.left(asked, clamp, row),
                }
            })
            .collect();
        // An empty page gives the same cursor back.
        if !changes.rows.is_empty() {
            changes.next_cursor = self.cursor(yard, reached);
        }
        changes.known_position = reached;
        changes
    }

    fn snapshot(
        &mut self,
        yard: YardId,
        after: Option<ClampId>,
        each: &mut dyn FnMut(Answer) -> Done,
    ) -> Done<Asked> {
        if !self.granted.contains(&yard) {
            each(refused(404, "not-found", "No such yard."))?;
            return Ok(Asked::Answered);
        }
        let head = SnapshotHead {
            cursor: self.cursor(yard, self.head()),
            epoch: self.epoch,
            reference_version: 1,
            generated_at: self.now,
            position: self.head(),
            state_format: self.state_format,
        };
        let mut breaks = self.breaks_after.take();
        let mut goes_on = |part: SnapshotPart, each: &mut dyn FnMut(Answer) -> Done| -> Done<bool> {
            if breaks == Some(0) {
                return Ok(false);
            }
            breaks = breaks.map(|left| left - 1);
            each(Answer::Snapshot(part))?;
            Ok(true)
        };
        let reference: Vec<SnapshotLine> = if after.is_none() {
            self.reference()
                .into_iter()
                .map(SnapshotLine::Reference)
                .collect()
        } else {
            Vec::new()
        };
        let mut lines = 2 + reference.len() as u64;
        let first = SnapshotPart {
            head: Some(head),
            lines: reference,
            end: None,
        };
        if !goes_on(first, each)? {
            return Ok(Asked::Lost);
        }
        let clamps: Vec<ClampId> = self
            .lines
            .iter()
            .filter(|(clamp, (_, state))| {
                after.is_none_or(|after| **clamp > after) && state.yards().contains(&yard)
            })
            .map(|(clamp, _)| *clamp)
            .collect();
        for some in clamps.chunks(self.snapshot_part) {
            lines += some.len() as u64;
            let part = SnapshotPart {
                head: None,
                lines: some
                    .iter()
                    .map(|clamp| {
                        SnapshotLine::Clamp(Box::new(SnapshotClamp {
                            line: ClampWord::Clamp,
                            clamp: self.line(yard, *clamp),
                            cursor: None,
                        }))
                    })
                    .collect(),
                end: None,
            };
            if !goes_on(part, each)? {
                return Ok(Asked::Lost);
            }
        }
        let last = SnapshotPart {
            head: None,
            lines: Vec::new(),
            end: Some(SnapshotEnd { end: true, lines }),
        };
        Ok(if goes_on(last, each)? {
            Asked::Answered
        } else {
            Asked::Lost
        })
    }
}

/// A problem of the service.
pub fn problem_of(status: u16, code: &'static str) -> Problem {
    Problem::new(
        Kind {
            code,
            status,
            title: "A problem",
            help: "Help.",
        },
        format!("{code}."),
    )
}

pub fn refused(status: u16, code: &str, detail: &str) -> Answer {
    Answer::Refused(Refused {
        status,
        code: code.to_owned(),
        detail: detail.to_owned(),
        retry_after_seconds: None,
    })
}

impl Transport for Service {
    fn ask(&mut self, question: &Question, each: &mut dyn FnMut(Answer) -> Done) -> Done<Asked> {
        self.now += SignedDuration::from_millis(10);
        let word = match question {
            Question::Config => "config",
            Question::Receipts { .. } => "receipts",
            Question::Push(_) => "push",
            Question::Changes { .. } => "changes",
            Question::Snapshot { .. } => "snapshot",
        };
        self.asked.push(word.to_owned());
        let answer = match question {
            Question::Config => Answer::Config(self.config()),
            Question::Receipts { device_number, from } => self.receipts(*device_number, *from),
            Question::Push(push) => {
                self.pushes.push(push.as_ref().clone());
                self.push(push)
            }
            Question::Changes { cursors } => self.changes(cursors),
            Question::Snapshot { yard, after, .. } => return self.snapshot(*yard, *after, each),
        };
        each(answer)?;
        Ok(Asked::Answered)
    }
}
