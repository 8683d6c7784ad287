//! The oracle: what the ledger really holds, folded anew, against everything that the service and the tablets say.
//!
//! It reads the ledger as its owner and trusts nothing else: positions without a hole, each entry once, each clamp folded
//! by [`clampward_domain`] and compared with what is stored, with the answers over HTTP and with every tablet's mirror. One
//! rule is checked without the fold: a lock-out that no return names is open.

use super::author;
use super::ground::Ground;
use super::tablet::Tablet;
use super::town::{self, Town};
use clampward_domain::entry::{Body, Entry};
use clampward_domain::fold::{ClampState, fold};
use clampward_domain::ids::{ClampId, EntryId, LockoutId};
use clampward_domain::reference::Reference;
use clampward_domain::standing::standing;
use clampward_domain::words::EntryKind;
use clampward_field::journal::{self, KeptState};
use clampward_field::mirror;
use clampward_store::{Clock, Store, StoreOptions};
use jiff::Timestamp;
use serde_json::Value;
use sqlx::{Connection, PgConnection};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use uuid::Uuid;

struct SystemClock;

impl Clock for SystemClock {
    fn now(&self) -> Timestamp {
        Timestamp::now()
    }
}

/// What was found.
#[derive(Clone, Debug, Default)]
pub struct Checked {
    /// Rows of the ledger.
    pub rows: usize,
    /// Clamps that were folded.
    pub clamps: usize,
    /// Entries of tablets that were found in the ledger.
    pub recorded: usize,
    /// Entries of tablets that are held.
    pub held: usize,
    /// Open lock-outs that no return names.
    pub unnamed: usize,
    /// Closed lock-outs.
    pub released: usize,
    /// Clamp states on tablets that were compared.
    pub mirrored: usize,
}

/// The ledger as its owner reads it.
pub struct Ledger {
    /// Entries about clamps.
    pub entries: BTreeMap<ClampId, Vec<Entry>>,
    /// Ids of all rows.
    pub ids: BTreeSet<Uuid>,
    /// The raw texts of rows that hold something back.
    pub held: Vec<String>,
    rows: usize,
    reference: Reference,
}

impl Ledger {
    /// Reads it; an error names what is not as it must be.
    pub fn read(ground: &Ground) -> Result<Self, String> {
        let owner = ground.owner_url();
        let (rows, reference) = ground.runtime.block_on(async {
            let mut connection = PgConnection::connect(&owner).await.unwrap();
            let rows: Vec<(i64, Uuid, Uuid, String, Vec<u8>)> =
                sqlx::query_as("select position, id, stream, kind, bytes from ledger order by position")
                    .fetch_all(&mut connection)
                    .await
                    .unwrap();
            let reference = clampward_store::reference::load(&mut connection).await.unwrap();
            (rows, reference)
        });
        let mut ledger = Self {
            entries: BTreeMap::new(),
            ids: BTreeSet::new(),
            held: Vec::new(),
            rows: rows.len(),
            reference,
        };
        for (place, (position, id, stream, kind, bytes)) in rows.into_iter().enumerate() {
            if usize::try_from(position) != Ok(place + 1) {
                return Err(format!("position {position} stands at place {}", place + 1));
            }
            if !ledger.ids.insert(id) {
                return Err(format!("{id} is recorded twice"));
            }
            if kind.parse::<EntryKind>().is_ok() {
                let entry: Entry = serde_json::from_slice(&bytes)
                    .map_err(|error| format!("entry {id} of kind {kind}: {error}"))?;
                if entry.id.uuid() != id || entry.clamp_id.uuid() != stream {
                    return Err(format!(
                        "row {id} holds entry {} of clamp {}",
                        entry.id, entry.clamp_id
                    ));
                }
                ledger.entries.entry(entry.clamp_id).or_default().push(entry);
            } else if kind == "held" {
                ledger.held.push(String::from_utf8_lossy(&bytes).into_owned());
            }
        }
        Ok(ledger)
    }

    /// The state of every clamp, as it is stored: without what is closed.
    pub fn states(&self) -> BTreeMap<ClampId, ClampState> {
        let folded = self.entries.iter().map(|(clamp, entries)| {
            let mut state = fold(*clamp, entries, &self.reference);
            state.take_closed();
            (*clamp, state)
        });
        folded.collect()
    }
}

/// Compares everything once nothing is under way any more.
pub fn check(town: &Town, ground: &Ground, tablets: &[Tablet]) -> Result<Checked, String> {
    let ledger = Ledger::read(ground)?;
    let mut checked = Checked {
        rows: ledger.rows,
        ..Checked::default()
    };
    let states = ledger.states();
    checked.clamps = states.len();
    verify(ground)?;
    unnamed_lockouts(&ledger, &states, &mut checked)?;
    journals(&ledger, tablets, &mut checked)?;
    mirrors(&states, tablets, town, &mut checked)?;
    answers(ground, &ledger, &states)?;
    Ok(checked)
}

/// The store's own second computation.
fn verify(ground: &Ground) -> Result<(), String> {
    let url = ground.service_url();
    ground.runtime.block_on(async {
        let store = Store::connect(StoreOptions {
            url,
            max_connections: 1,
            clock: Arc::new(SystemClock),
        })
        .await
        .unwrap();
        let report = store.verify().await.unwrap();
        store.close().await;
        if report.pending > 0 {
            return Err(format!("{} clamps still wait to be reassessed", report.pending));
        }
        match report.violations.first() {
            Some(violation) => Err(format!(
                "{} violations, first: {violation:?}",
                report.violations.len()
            )),
            None => Ok(()),
        }
    })
}

/// A lock-out that nobody released by name is open; what is closed was named.
fn unnamed_lockouts(
    ledger: &Ledger,
    states: &BTreeMap<ClampId, ClampState>,
    checked: &mut Checked,
) -> Result<(), String> {
    for (clamp, entries) in &ledger.entries {
        let named: BTreeSet<LockoutId> = entries
            .iter()
            .flat_map(|entry| author::names(&entry.body))
            .collect();
        for entry in entries {
            for lockout in author::opens(entry.id, &entry.body) {
                let open = states[clamp]
                    .lockouts
                    .get(&lockout)
                    .is_some_and(|lockout| lockout.is_open());
                match (open, named.contains(&lockout)) {
                    (true, false) => checked.unnamed += 1,
                    (false, true) => checked.released += 1,
                    (true, true) => {}
                    (false, false) => {
                        return Err(format!(
                            "lock-out {lockout} of entry {} on clamp {clamp} is not open, although no return names it",
                            entry.id
                        ));
                    }
                }
            }
        }
    }
    Ok(())
}

/// Everything that a tablet wrote is recorded once, or held, with what it says.
fn journals(ledger: &Ledger, tablets: &[Tablet], checked: &mut Checked) -> Result<(), String> {
    let recorded: BTreeMap<EntryId, &Entry> = ledger
        .entries
        .values()
        .flatten()
        .map(|entry| (entry.id, entry))
        .collect();
    for tablet in tablets {
        for kept in journal::all(tablet.database.connection()).unwrap() {
            let id = kept.entry_id;
            let told = kept
                .entry()
                .ok_or_else(|| format!("entry {id} cannot be read on its tablet"))?;
            match (kept.state, recorded.get(&id)) {
                (KeptState::Recorded, Some(entry)) => {
                    let body =
                        Body::from_json(told.kind, told.body.clone()).map_err(|error| error.to_string())?;
                    let same = entry.body == body
                        && entry.performed_by == told.performed_by
                        && entry.performed_at == told.performed_at
                        && told.clamp_id.is_none_or(|clamp| clamp == entry.clamp_id);
                    if !same {
                        return Err(format!(
                            "entry {id} is recorded with other content: {entry:?} and {told:?}"
                        ));
                    }
                    checked.recorded += 1;
                }
                (KeptState::Held, None) => {
                    if !ledger.held.iter().any(|raw| raw.contains(&id.to_string())) {
                        return Err(format!("entry {id} was told to be held, and nothing keeps it"));
                    }
                    checked.held += 1;
                }
                // Replayed by itself since.
                (KeptState::Held, Some(_)) => checked.recorded += 1,
                (state, recorded) => {
                    let there = if recorded.is_some() { "is" } else { "is not" };
                    return Err(format!(
                        "entry {id} of tablet {} is {state:?} there and {there} in the ledger: {:?}",
                        tablet.number, kept.result
                    ));
                }
            }
        }
    }
    Ok(())
}

/// Every tablet shows the clamps of its yards, and each as it is.
fn mirrors(
    states: &BTreeMap<ClampId, ClampState>,
    tablets: &[Tablet],
    town: &Town,
    checked: &mut Checked,
) -> Result<(), String> {
    for tablet in tablets {
        let connection = tablet.database.connection();
        let yards: BTreeSet<_> = mirror::cursors(connection).unwrap().into_keys().collect();
        if yards.is_empty() && !town.yards.is_empty() {
            continue;
        }
        for (clamp, state) in states {
            let theirs = state.yards().iter().any(|yard| yards.contains(yard));
            let shown = mirror::clamp(connection, *clamp).unwrap();
            match (theirs, shown) {
                (true, None) => {
                    return Err(format!(
                        "tablet {} does not show clamp {clamp} of its yards",
                        tablet.number
                    ));
                }
                (true, Some(row)) if row.state != *state => {
                    return Err(format!(
                        "tablet {} shows another state of clamp {clamp}:\n{}\nand the fold is\n{}",
                        tablet.number,
                        serde_json::to_string(&row.state).unwrap(),
                        serde_json::to_string(state).unwrap()
                    ));
                }
                (true, Some(_)) => checked.mirrored += 1,
                (false, Some(_)) => {
                    return Err(format!(
                        "tablet {} still shows clamp {clamp}, which is in none of its yards",
                        tablet.number
                    ));
                }
                (false, None) => {}
            }
        }
    }
    Ok(())
}

/// The administrator's token.
pub fn sign_in(ground: &Ground) -> String {
    let body = serde_json::json!({"email": town::EMAIL, "password": town::PASSWORD});
    let mut answer = ground
        .agent
        .post(format!("{}/v1/auth/token", ground.url))
        .send_json(&body)
        .unwrap();
    let answer: Value = answer.body_mut().read_json().unwrap();
    answer["access_token"]
        .as_str()
        .unwrap_or_else(|| panic!("{answer}"))
        .to_owned()
}

/// What the service answers over HTTP: open lock-outs, status and fitness, at the instant that it names.
fn answers(ground: &Ground, ledger: &Ledger, states: &BTreeMap<ClampId, ClampState>) -> Result<(), String> {
    let token = sign_in(ground);
    // Each is one request: enough of them.
    for (clamp, state) in states.iter().take(60) {
        let url = format!("{}/v1/clamps/{clamp}", ground.url);
        let get = |url: &str| -> Value {
            let answer = ground
                .agent
                .get(url)
                .header("Authorization", &format!("Bearer {token}"))
                .call();
            answer.unwrap().body_mut().read_json().unwrap()
        };
        let told = get(&url);
        let open: BTreeSet<String> = state
            .open_lockouts()
            .iter()
            .map(|lockout| lockout.id.to_string())
            .collect();
        let told_open: BTreeSet<String> = told["open_lockouts"]
            .as_array()
            .into_iter()
            .flatten()
            .filter_map(|lockout| lockout["id"].as_str().map(str::to_owned))
            .collect();
        if open != told_open {
            return Err(format!(
                "clamp {clamp} is answered with {told_open:?} open, and the fold has {open:?}: {told}"
            ));
        }
        let fitness = get(&format!("{url}/fitness"));
        let at: Timestamp = fitness["known_at"]
            .as_str()
            .and_then(|at| at.parse().ok())
            .ok_or_else(|| format!("fitness of {clamp}: {fitness}"))?;
        let expected = standing(state, &ledger.reference, at);
        if fitness["fit"].as_bool() != Some(expected.fit) && !ambiguous(&fitness) {
            return Err(format!(
                "clamp {clamp} is answered {fitness}, and the fold says {expected:?}"
            ));
        }
    }
    Ok(())
}

/// Whether the answer says "no" for a reason that no single clamp's state has.
fn ambiguous(fitness: &Value) -> bool {
    let reasons = fitness["reasons"].as_array();
    fitness["fit"] == false
        && reasons
            .into_iter()
            .flatten()
            .any(|reason| reason["code"] == "ambiguous_mark")
}
