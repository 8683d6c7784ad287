//! The journal: every entry written on this device, as it will be sent.
//!
//! An entry is on the disk before a person is told that it is kept. Only a result that the service gave for that very
//! entry moves it out of `unsent`; what was acknowledged stays until the service says that it outlives the loss of its
//! machine, and two weeks longer. The journal knows nothing of the mirror, and outlives every change of its form: what
//! it keeps is the text of the entry, with the number of the form it was written in.

mod own;
mod settle;

pub use own::{Pulled, Restriction, doubt, note_seen, own_entries};
pub use settle::{
    Acknowledgement, acknowledged_to, note_acknowledged, offer_again, purge, put_off, renumber, settle,
    take_up_receipts,
};

use crate::clock::Moment;
use crate::core::{Queued, QueuedState};
use crate::database::{Database, set, setting};
use crate::failure::{Done, Failure};
use clampward_domain::ids::EntryId;
use clampward_domain::mark::exact_key;
use clampward_domain::words::EntryKind;
use clampward_wire::sync::push::PushEntry;
use jiff::Timestamp;
use rusqlite::{Connection, Row, params};
use serde::{Deserialize, Serialize};
use serde_json::Value;

/// The form in which entries are written now: `PushEntry` of the first contract.
pub const FORMAT: u32 = 1;

/// Which of the device's numbers is in use, and what comes next under it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Numbering {
    /// The device's number.
    pub device_number: u32,
    /// The next `device_seq`.
    pub next_seq: u64,
}

/// What became of an entry, as far as the device knows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum KeptState {
    /// Not acknowledged.
    Unsent,
    /// In the ledger.
    Recorded,
    /// Kept by the service until a person places it.
    Held,
    /// Its id was used for other content: a person has to look.
    Refused,
    /// A person dismissed it: the service keeps it, and nothing comes of it any more.
    Dismissed,
}

impl KeptState {
    const fn code(self) -> &'static str {
        match self {
            Self::Unsent => "unsent",
            Self::Recorded => "recorded",
            Self::Held => "held",
            Self::Refused => "refused",
            Self::Dismissed => "dismissed",
        }
    }
    fn from_code(code: &str) -> Done<Self> {
        [
            Self::Unsent,
            Self::Recorded,
            Self::Held,
            Self::Refused,
            Self::Dismissed,
        ]
        .into_iter()
        .find(|state| state.code() == code)
        .ok_or_else(|| Failure::unreadable("state of an entry", code))
    }
}

/// An entry of the journal.
#[derive(Clone, Debug, PartialEq)]
pub struct Kept {
    /// Its id.
    pub entry_id: EntryId,
    /// The device number it was written under.
    pub device_number: u32,
    /// Its number under that.
    pub device_seq: u64,
    /// What became of it.
    pub state: KeptState,
    /// Whether an acknowledged one is offered again.
    pub again: bool,
    /// Its position in the ledger, once told.
    pub position: Option<u64>,
    /// When the service had settled it, by its clock.
    pub settled_at: Option<Timestamp>,
    /// The last pull before that was told.
    pub after_pull: u64,
    /// Whether the same answer said that what stands there outlives the loss of the service's machine.
    pub stable: bool,
    /// Whether its row came since, with the state of its clamp.
    pub seen: bool,
    /// The entry as it is sent.
    pub raw: Value,
    /// The service's last answer about it.
    pub result: Option<Value>,
}

impl Kept {
    /// The entry, if this version can read it.
    pub fn entry(&self) -> Option<PushEntry> {
        serde_json::from_value(self.raw.clone()).ok()
    }
}

/// Starts the count of a device that was just enrolled.
pub fn begin(connection: &Connection, device_number: u32) -> Done {
    set(
        connection,
        "numbering",
        &Numbering {
            device_number,
            next_seq: 1,
        },
    )
}

/// The numbering in use.
pub fn numbering(connection: &Connection) -> Done<Numbering> {
    setting(connection, "numbering")?
        .ok_or_else(|| Failure::refused("this device is not enrolled: run `clampward-field enrol` first"))
}

/// Keeps an entry: it is on the disk when this returns. Its `device_seq` is given here.
pub fn keep(database: &mut Database, mut entry: PushEntry, written: &Moment) -> Done<PushEntry> {
    database.write(|connection| {
        let numbering = numbering(connection)?;
        entry.device_seq = numbering.next_seq;
        insert(connection, numbering.device_number, &entry)?;
        set(
            connection,
            "numbering",
            &Numbering {
                next_seq: numbering.next_seq.saturating_add(1),
                ..numbering
            },
        )?;
        note_moment(connection, written)?;
        Ok(entry)
    })
}

fn insert(connection: &Connection, device_number: u32, entry: &PushEntry) -> Done {
    let raw = serde_json::to_string(entry)?;
    connection
        .prepare_cached(
            "insert into journal (entry_id, device_number, device_seq, clamp_id, mark_key, kind, restricts, format, raw, state)
             values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, 'unsent')",
        )?
        .execute(params![
            entry.id.to_string(),
            device_number,
            whole(entry.device_seq)?,
            entry.clamp_id.map(|clamp| clamp.to_string()),
            entry.mark.as_deref().map(exact_key),
            entry.kind.code(),
            restricts(entry),
            FORMAT,
            raw,
        ])?;
    Ok(())
}

/// Whether an entry goes first: it may keep somebody from lifting.
pub fn restricts(entry: &PushEntry) -> bool {
    match entry.kind {
        EntryKind::TaggedOut | EntryKind::Retired | EntryKind::Repaired | EntryKind::ProofTested => true,
        EntryKind::Inspected => entry
            .body
            .get("findings")
            .and_then(Value::as_array)
            .is_none_or(|findings| {
                findings.iter().any(|finding| {
                    finding.get("outcome").and_then(Value::as_str) != Some("accept")
                        || finding.get("measured").is_some()
                })
            }),
        EntryKind::Used => true,
        EntryKind::Registered
        | EntryKind::ReturnedToService
        | EntryKind::Confirmed
        | EntryKind::Transferred
        | EntryKind::Issued
        | EntryKind::Received
        | EntryKind::Classified
        | EntryKind::Amended
        | EntryKind::Reassessed => false,
    }
}

/// Remembers the latest moment of this device, so that a clock that goes backwards is noticed.
pub fn note_moment(connection: &Connection, moment: &Moment) -> Done {
    let latest: Option<Moment> = setting(connection, "latest_moment")?;
    let goes_on =
        latest.is_none_or(|latest| latest.boot != moment.boot || latest.monotonic_ms <= moment.monotonic_ms);
    if goes_on {
        set(connection, "latest_moment", moment)?;
    }
    Ok(())
}

/// The latest moment that was remembered.
pub fn latest_moment(connection: &Connection) -> Done<Option<Moment>> {
    setting(connection, "latest_moment")
}

const COLUMNS: &str = "entry_id, device_number, device_seq, state, again, position, settled_at, raw, result, after_pull, stable, seen";

struct RawRow {
    entry_id: String,
    device_number: u32,
    device_seq: i64,
    state: String,
    again: bool,
    position: Option<i64>,
    settled_at: Option<String>,
    raw: String,
    result: Option<String>,
    after_pull: i64,
    stable: bool,
    seen: bool,
}

fn raw_row(row: &Row<'_>) -> rusqlite::Result<RawRow> {
    Ok(RawRow {
        entry_id: row.get(0)?,
        device_number: row.get(1)?,
        device_seq: row.get(2)?,
        state: row.get(3)?,
        again: row.get(4)?,
        position: row.get(5)?,
        settled_at: row.get(6)?,
        raw: row.get(7)?,
        result: row.get(8)?,
        after_pull: row.get(9)?,
        stable: row.get(10)?,
        seen: row.get(11)?,
    })
}

fn kept(row: RawRow) -> Done<Kept> {
    let json = |text: &str| {
        serde_json::from_str(text)
            .map_err(|error| Failure::unreadable(format!("entry {}", row.entry_id), error))
    };
    Ok(Kept {
        entry_id: row
            .entry_id
            .parse()
            .map_err(|error| Failure::unreadable("id of an entry", error))?,
        device_number: row.device_number,
        device_seq: count(row.device_seq),
        state: KeptState::from_code(&row.state)?,
        again: row.again,
        position: row.position.map(count),
        settled_at: row.settled_at.as_deref().and_then(|at| at.parse().ok()),
        after_pull: count(row.after_pull),
        stable: row.stable,
        seen: row.seen,
        raw: json(&row.raw)?,
        result: row.result.as_deref().map(json).transpose()?,
    })
}

/// Every entry that is kept, oldest first.
pub fn all(connection: &Connection) -> Done<Vec<Kept>> {
    let mut statement = connection.prepare_cached(&format!(
        "select {COLUMNS} from journal order by device_number, device_seq"
    ))?;
    let rows = statement.query_map([], raw_row)?;
    rows.map(|row| kept(row?)).collect()
}

/// One entry.
pub fn one(connection: &Connection, id: EntryId) -> Done<Option<Kept>> {
    let mut statement =
        connection.prepare_cached(&format!("select {COLUMNS} from journal where entry_id = ?1"))?;
    let mut rows = statement.query_map(params![id.to_string()], raw_row)?;
    rows.next().map(|row| kept(row?)).transpose()
}

/// The texts of entries, in the order asked for.
pub fn texts(connection: &Connection, ids: &[EntryId]) -> Done<Vec<Value>> {
    ids.iter()
        .map(|id| {
            one(connection, *id)?
                .map(|kept| kept.raw)
                .ok_or_else(|| Failure::unreadable("entry", id))
        })
        .collect()
}

/// What the synchronisation has to know of every entry.
pub fn queue(connection: &Connection) -> Done<Vec<Queued>> {
    let mut statement = connection.prepare_cached(
        "select entry_id, device_number, device_seq, length(cast(raw as blob)), restricts, state, again, put_off
         from journal order by device_number, device_seq",
    )?;
    let rows = statement.query_map([], |row| {
        Ok((
            row.get::<_, String>(0)?,
            row.get::<_, u32>(1)?,
            row.get::<_, i64>(2)?,
            row.get::<_, i64>(3)?,
            row.get::<_, bool>(4)?,
            row.get::<_, String>(5)?,
            row.get::<_, bool>(6)?,
            row.get::<_, u32>(7)?,
        ))
    })?;
    rows.map(|row| {
        let (id, device_number, device_seq, bytes, restricts, state, again, put_off) = row?;
        Ok(Queued {
            id: id
                .parse()
                .map_err(|error| Failure::unreadable("id of an entry", error))?,
            device_number,
            device_seq: count(device_seq),
            bytes: usize::try_from(bytes).unwrap_or(usize::MAX),
            restricts,
            state: match KeptState::from_code(&state)? {
                KeptState::Unsent => QueuedState::Unsent,
                KeptState::Recorded => QueuedState::Recorded,
                KeptState::Held => QueuedState::Held,
                KeptState::Refused => QueuedState::Refused,
                KeptState::Dismissed => QueuedState::Dismissed,
            },
            again,
            put_off,
        })
    })
    .collect()
}

/// How many entries are not acknowledged.
pub fn unsent(connection: &Connection) -> Done<u64> {
    let number: i64 = connection
        .prepare_cached("select count(*) from journal where state = 'unsent'")?
        .query_row([], |row| row.get(0))?;
    Ok(count(number))
}

/// A count as SQLite keeps it.
pub(crate) fn whole(number: u64) -> Done<i64> {
    i64::try_from(number).map_err(|error| Failure::unreadable("a number", error))
}

/// A count out of SQLite.
pub(crate) fn count(number: i64) -> u64 {
    u64::try_from(number).unwrap_or(0)
}
