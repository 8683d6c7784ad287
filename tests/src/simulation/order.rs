//! The order of pushes does not matter: the same histories, pushed in order and pushed in any order, over HTTP.
//!
//! Two databases of the same town, each with a service of its own. Every entry is written on one of several devices. The one
//! service gets every clamp's entries in the order in which they were written; the other gets each device's entries
//! shuffled, in batches of any size, the devices taking turns by chance, some batches twice. Then the snapshots of every
//! yard and the lock-outs are compared, field for field.

use super::author::{self, Papers, Written};
use super::chance::Chance;
use super::line;
use super::telling::{Told, judged_by, turns_out_another};
use super::town::Town;
use crate::program::{self, Service};
use clampward_domain::entry::{Entry, ToBeSigned};
use clampward_domain::fold::fold;
use clampward_domain::ids::{ClampId, EntryId};
use clampward_domain::reference::Reference;
use clampward_testkit::TestDatabase;
use clampward_wire::sync::push::{HeldReason, PushEntry, PushOutcome, PushReply, PushRequest};
use jiff::{Timestamp, ToSpan};
use serde_json::Value;
use sqlx::{Connection, PgConnection};
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::{Duration, Instant};
use uuid::Uuid;

/// Days before now on which the town was founded; keys are good for longer.
const FOUNDED: i64 = 28;
/// Devices.
const DEVICES: usize = 5;
/// Most entries of a clamp.
const LONGEST: usize = 16;
/// Most entries of a push.
const BATCH: usize = 500;

/// What to play.
#[derive(Clone, Debug)]
pub struct Options {
    /// The seed.
    pub seed: u64,
    /// Clamp histories.
    pub histories: usize,
    /// The service's program.
    pub service: PathBuf,
}

/// What it came to.
#[derive(Clone, Debug, Default)]
pub struct Report {
    /// Clamps with the same state.
    pub clamps: usize,
    /// Entries of each side.
    pub entries: usize,
    /// Lock-outs that are the same, closed ones among them.
    pub lockouts: usize,
    /// Those that are closed.
    pub closed: usize,
    /// Pushes in order, and in any order.
    pub pushes: (usize, usize),
    /// How long each took.
    pub took: (Duration, Duration),
}

/// An entry and the device that it was written on.
struct OnDevice {
    device: usize,
    entry: PushEntry,
}

struct Side {
    database: TestDatabase,
    town: Town,
    service: Service,
    agent: ureq::Agent,
    tokens: Vec<Option<String>>,
    pushes: usize,
    _folder: tempfile::TempDir,
}

impl Side {
    async fn new(options: &Options, at: Timestamp) -> Self {
        let database = TestDatabase::new().await;
        let mut chance = Chance::new(options.seed);
        let town = Town::found(&database.service_url, at, DEVICES, &mut chance).await;
        let folder = tempfile::tempdir().unwrap();
        let key = folder.path().join("key.pem");
        let service = Service::start_with(
            &options.service,
            &database.service_url,
            &key,
            program::free_port(),
            |command| {
                command.env("CLAMPWARD_QUOTA_REQUESTS", "1000000");
            },
        );
        let agent = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .timeout_global(Some(Duration::from_secs(300)))
            .build()
            .new_agent();
        Self {
            database,
            town,
            service,
            agent,
            tokens: vec![None; DEVICES],
            pushes: 0,
            _folder: folder,
        }
    }

    fn bearer(&mut self, device: usize) -> String {
        if self.tokens[device].is_none() {
            let id = Uuid::now_v7();
            self.tokens[device] =
                line::sign_in(&self.agent, &self.service.url, &self.town.devices[device], id);
        }
        format!("Bearer {}", self.tokens[device].as_deref().expect("a token"))
    }

    /// Pushes a batch until every entry is recorded; where it comes before its clamp's registration, until it is held.
    fn push(&mut self, device: usize, batch: &[&PushEntry], may_be_early: bool) -> Result<(), String> {
        let request = PushRequest {
            device_id: self.town.devices[device].id,
            device_number: Some(1),
            sent_at: Timestamp::now().round(jiff::Unit::Microsecond).unwrap(),
            // Nobody wrote anything since this start: times count as they were told.
            boot: Uuid::from_u128(1),
            monotonic_ms: 1_000_000,
            queue_length: u64::try_from(batch.len()).unwrap(),
            entries: batch
                .iter()
                .map(|entry| serde_json::to_value(entry).unwrap())
                .collect(),
        };
        for _ in 0..20 {
            self.pushes += 1;
            let bearer = self.bearer(device);
            let url = format!("{}/v1/sync/entries", self.service.url);
            let mut answer = self
                .agent
                .post(&url)
                .header("Authorization", &bearer)
                .send_json(&request)
                .map_err(|error| error.to_string())?;
            let text = answer
                .body_mut()
                .with_config()
                .limit(1 << 28)
                .read_to_string()
                .unwrap();
            match answer.status().as_u16() {
                200 => {}
                401 => {
                    self.tokens[device] = None;
                    continue;
                }
                503 | 429 | 409 => {
                    std::thread::sleep(Duration::from_millis(200));
                    continue;
                }
                status => return Err(format!("a push is answered {status} {text}")),
            }
            let reply: PushReply = serde_json::from_str(&text).map_err(|error| format!("{error}: {text}"))?;
            let again = reply
                .results
                .iter()
                .any(|result| result.outcome == PushOutcome::Retry);
            let other = reply.results.iter().find(|result| match result.outcome {
                PushOutcome::Recorded | PushOutcome::AlreadyRecorded | PushOutcome::Retry => false,
                PushOutcome::Held => !may_be_early || result.held != Some(HeldReason::UnknownClamp),
                PushOutcome::Refused | PushOutcome::Dismissed => true,
            });
            if let Some(other) = other {
                let index = usize::try_from(other.index).unwrap();
                return Err(format!("{other:?} for {:?}", batch[index]));
            }
            if !again {
                return Ok(());
            }
        }
        Err("a push never came to its end".to_owned())
    }

    /// The states of every clamp, as the snapshots of all yards hand them out.
    fn states(&mut self) -> BTreeMap<String, Value> {
        let mut states = BTreeMap::new();
        for yard in self.town.yards.clone() {
            let bearer = self.bearer(0);
            let url = format!("{}/v1/sync/snapshot?yard={yard}", self.service.url);
            let mut answer = self
                .agent
                .get(&url)
                .header("Authorization", &bearer)
                .call()
                .unwrap();
            let text = answer
                .body_mut()
                .with_config()
                .limit(1 << 30)
                .read_to_string()
                .unwrap();
            assert_eq!(answer.status().as_u16(), 200, "{text}");
            for line in text.lines() {
                let line: Value = serde_json::from_str(line).unwrap();
                if line["type"] == "clamp" {
                    states.insert(
                        line["clamp_id"].as_str().unwrap().to_owned(),
                        line["state"].clone(),
                    );
                }
            }
        }
        states
    }

    /// What came before its clamp is recorded by the push that brings the clamp, or soon after where that was too busy.
    async fn waits_for_held(&self) -> Result<(), String> {
        let mut owner = PgConnection::connect(&self.database.owner_url).await.unwrap();
        let mut waiting: Vec<(Uuid, String, String)> = Vec::new();
        for _ in 0..240 {
            waiting = sqlx::query_as(
                "select id, reason, concat(detail, ' clamp ', clamp_id, ' next try ', next_try_at)
                   from held_entry where state = 'held' order by id",
            )
            .fetch_all(&mut owner)
            .await
            .unwrap();
            if waiting.is_empty() {
                return Ok(());
            }
            tokio::time::sleep(Duration::from_millis(500)).await;
        }
        Err(format!(
            "{} entries are held for ever: {:?}",
            waiting.len(),
            waiting.first()
        ))
    }

    async fn lockouts(&self) -> BTreeMap<Uuid, Value> {
        let mut owner = PgConnection::connect(&self.database.owner_url).await.unwrap();
        let rows: Vec<(Uuid, sqlx::types::Json<Value>)> = sqlx::query_as("select id, record from lockout")
            .fetch_all(&mut owner)
            .await
            .unwrap();
        rows.into_iter().map(|(id, record)| (id, record.0)).collect()
    }
}

/// Every clamp's entries, in the order in which they were written.
fn histories(town: &Town, reference: &Reference, options: &Options, at: Timestamp) -> Vec<Vec<OnDevice>> {
    let mut chance = Chance::new(options.seed ^ 0x006f_7264_6572);
    let mut counts = vec![0; DEVICES];
    (0..options.histories)
        .map(|number| history(town, reference, number, at, &mut counts, &mut chance))
        .collect()
}

fn history(
    town: &Town,
    reference: &Reference,
    number: usize,
    at: Timestamp,
    counts: &mut [u64],
    chance: &mut Chance,
) -> Vec<OnDevice> {
    let clamp = ClampId::new(chance.id());
    let mut papers = Papers::default();
    let mut entries: Vec<Entry> = Vec::new();
    let mut all = Vec::new();
    let mut now = at + 1.hour();
    let length = 3 + chance.below(LONGEST - 3);
    let mut first: Vec<Written> = author::first_entries(town, number, chance).into();
    first.reverse();
    for _ in 0..length {
        // Few distinct gaps, so that equal times come up; within the life of the keys.
        let minutes = chance.pick(&[0, 0, 1, 3, 10, 600, 1400, 2000]);
        now += i64::from(minutes).minutes();
        // Some clocks are wrong.
        let told = if chance.one_in(6) {
            now - i64::try_from(chance.below(4000)).unwrap().minutes()
        } else {
            now
        };
        let performed_at = told.max(at + 30.minutes());
        let state = (!entries.is_empty()).then(|| fold(clamp, &entries, reference));
        let written = first
            .pop()
            .or_else(|| turns_out_another(town, &entries, chance))
            .unwrap_or_else(|| author::write(town, state.as_ref(), &papers, performed_at, chance));
        let device = chance.below(DEVICES);
        counts[device] += 1;
        let id = EntryId::new(chance.id());
        let is_signed = !chance.one_in(15);
        papers.file(id, &written.body);
        let body = written.body.to_json().unwrap();
        let signed = ToBeSigned {
            id,
            device_id: town.devices[device].id,
            clamp_id: Some(clamp),
            mark: None,
            kind: written.body.kind(),
            performed_at,
            performed_by: written.by,
            body: &body,
        };
        let judged_by = judged_by(town, &written.body, state.as_ref(), chance);
        let told = Told::by_chance(&written.body, chance);
        let entry = PushEntry {
            id,
            device_seq: counts[device],
            clamp_id: Some(clamp),
            mark: None,
            kind: written.body.kind(),
            performed_at,
            boot: Uuid::from_u128(2),
            monotonic_ms: 1,
            performed_by: written.by,
            signature: is_signed.then(|| town.devices[device].sign(&signed)),
            judged_by: told.of(&judged_by),
            body,
        };
        entries.push(Entry {
            id,
            clamp_id: clamp,
            performed_at,
            counted_at: performed_at,
            performed_by: written.by,
            device_id: Some(town.devices[device].id),
            judged_by,
            signed: is_signed,
            placed: false,
            body: written.body,
        });
        all.push(OnDevice { device, entry });
    }
    all
}

/// Every clamp's first entry, then every clamp's second, and so on.
fn push_in_order(side: &mut Side, histories: &[Vec<OnDevice>]) -> Result<(), String> {
    for step in 0..LONGEST {
        let now: Vec<&OnDevice> = histories.iter().filter_map(|history| history.get(step)).collect();
        for device in 0..DEVICES {
            let of_device: Vec<&PushEntry> = now
                .iter()
                .filter(|entry| entry.device == device)
                .map(|entry| &entry.entry)
                .collect();
            for batch in of_device.chunks(BATCH) {
                side.push(device, batch, false)?;
            }
        }
    }
    Ok(())
}

/// Each device's entries in any order, the devices in turns by chance.
fn push_in_any_order(
    side: &mut Side,
    histories: &[Vec<OnDevice>],
    chance: &mut Chance,
) -> Result<(), String> {
    let mut queues: Vec<Vec<&PushEntry>> = vec![Vec::new(); DEVICES];
    for entry in histories.iter().flatten() {
        queues[entry.device].push(&entry.entry);
    }
    for queue in &mut queues {
        chance.shuffle(queue);
    }
    while queues.iter().any(|queue| !queue.is_empty()) {
        let device = chance.below(DEVICES);
        let size = chance.pick(&[1, 7, 50, 200, BATCH]);
        let size = size.min(queues[device].len());
        let batch: Vec<&PushEntry> = queues[device].drain(..size).collect();
        if batch.is_empty() {
            continue;
        }
        side.push(device, &batch, true)?;
        if chance.one_in(10) {
            side.push(device, &batch, true)?;
        }
    }
    Ok(())
}

/// Plays it; an error names the first difference.
pub async fn run(options: &Options) -> Result<Report, String> {
    let at = Timestamp::now().round(jiff::Unit::Second).unwrap() - (FOUNDED * 24).hours();
    let mut ordered = Side::new(options, at).await;
    let mut shuffled = Side::new(options, at).await;
    let reference = {
        let mut owner = PgConnection::connect(&ordered.database.owner_url).await.unwrap();
        clampward_store::reference::load(&mut owner).await.unwrap()
    };
    let histories = histories(&ordered.town, &reference, options, at);
    let mut chance = Chance::new(options.seed ^ 0x7368_7566);
    let begun = Instant::now();
    push_in_order(&mut ordered, &histories)?;
    let in_order = begun.elapsed();
    let begun = Instant::now();
    push_in_any_order(&mut shuffled, &histories, &mut chance)?;
    let in_any_order = begun.elapsed();
    shuffled.waits_for_held().await?;
    // What came before its clamp was recorded when the clamp came: nothing is held any more.
    push_in_order(&mut shuffled, &histories)?;
    let (one, other) = (ordered.states(), shuffled.states());
    let (lockouts, other_lockouts) = (ordered.lockouts().await, shuffled.lockouts().await);
    for (clamp, state) in &one {
        if other.get(clamp) != Some(state) {
            return Err(format!(
                "clamp {clamp}: in order\n{state}\nin any order\n{:?}",
                other.get(clamp)
            ));
        }
    }
    for (id, lockout) in &lockouts {
        if other_lockouts.get(id) != Some(lockout) {
            let other = other_lockouts.get(id);
            return Err(format!(
                "lock-out {id}: in order\n{lockout}\nin any order\n{other:?}"
            ));
        }
    }
    if one.len() != options.histories || other.len() != one.len() || lockouts.len() != other_lockouts.len() {
        return Err(format!(
            "{} and {} clamps, {} and {} lock-outs of {} histories",
            one.len(),
            other.len(),
            lockouts.len(),
            other_lockouts.len(),
            options.histories
        ));
    }
    Ok(Report {
        clamps: one.len(),
        entries: histories.iter().map(Vec::len).sum(),
        lockouts: lockouts.len(),
        closed: lockouts
            .values()
            .filter(|lockout| !lockout["closed"].is_null())
            .count(),
        pushes: (ordered.pushes, shuffled.pushes),
        took: (in_order, in_any_order),
    })
}
