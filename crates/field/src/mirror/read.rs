//! Reading the mirror: only what a question needs, by index.

use crate::failure::{Done, Failure};
use crate::journal::{Pulled, count};
use clampward_domain::fold::ClampState;
use clampward_domain::ids::{ClampId, ModelId, PersonId, YardId};
use clampward_domain::mark::{exact_key, look_alike_key};
use clampward_domain::reference::{Person, Reference};
use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension, Row, params};
use serde::Serialize;
use serde::de::DeserializeOwned;
use std::collections::BTreeMap;

/// A clamp as it is mirrored.
#[derive(Clone, Debug, PartialEq)]
pub struct ClampRow {
    /// The clamp.
    pub clamp_id: ClampId,
    /// Position of its state.
    pub position: u64,
    /// The pull that told it.
    pub pull: u64,
    /// Its mark.
    pub mark: Option<String>,
    /// Scrapped.
    pub retired: bool,
    /// Its state.
    pub state: ClampState,
}

/// What is known of a yard.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct YardKnowledge {
    /// The yard.
    pub yard_id: YardId,
    /// Complete up to this position.
    pub known_position: u64,
    /// The instant of that, by the service's clock.
    pub known_at: Timestamp,
    /// The pull that told it.
    #[serde(skip)]
    pub pull: u64,
}

impl ClampRow {
    /// What its state shows.
    pub const fn pulled(&self) -> Pulled {
        Pulled {
            position: self.position,
            pull: self.pull,
        }
    }
}

impl YardKnowledge {
    /// What is known of the yard.
    pub const fn pulled(&self) -> Pulled {
        Pulled {
            position: self.known_position,
            pull: self.pull,
        }
    }
}

struct RawClamp {
    clamp_id: String,
    position: i64,
    pull: i64,
    mark: Option<String>,
    retired: bool,
    state: String,
}

const COLUMNS: &str = "clamp_id, position, pull, mark, retired, state";

fn raw(row: &Row<'_>) -> rusqlite::Result<RawClamp> {
    Ok(RawClamp {
        clamp_id: row.get(0)?,
        position: row.get(1)?,
        pull: row.get(2)?,
        mark: row.get(3)?,
        retired: row.get(4)?,
        state: row.get(5)?,
    })
}

fn row(raw: RawClamp) -> Done<ClampRow> {
    Ok(ClampRow {
        clamp_id: raw
            .clamp_id
            .parse()
            .map_err(|error| Failure::unreadable("id of a clamp", error))?,
        position: count(raw.position),
        pull: count(raw.pull),
        mark: raw.mark,
        retired: raw.retired,
        state: serde_json::from_str(&raw.state)
            .map_err(|error| Failure::unreadable(format!("state of clamp {}", raw.clamp_id), error))?,
    })
}

/// A clamp by its id.
pub fn clamp(connection: &Connection, id: ClampId) -> Done<Option<ClampRow>> {
    connection
        .prepare_cached(&format!("select {COLUMNS} from clamp where clamp_id = ?1"))?
        .query_row(params![id.to_string()], raw)
        .optional()?
        .map(row)
        .transpose()
}

/// The clamps that bear a mark, whatever its case, spaces and hyphens: live ones first, however many bore it before.
pub fn bearing(connection: &Connection, mark: &str) -> Done<Vec<ClampRow>> {
    let mut statement = connection.prepare_cached(&format!(
        "select {COLUMNS} from clamp where mark_key = ?1 order by retired, clamp_id limit 20"
    ))?;
    let rows = statement.query_map(params![exact_key(mark)], raw)?;
    rows.map(|found| row(found?)).collect()
}

/// Marks of live clamps that only look alike (0 and O, 1 and I, 5 and S, 8 and B).
pub fn candidates(connection: &Connection, mark: &str) -> Done<Vec<String>> {
    let mut statement = connection.prepare_cached(
        "select mark from clamp where look_alike_key = ?1 and mark_key <> ?2 and retired = 0 and mark is not null
         order by mark limit 20",
    )?;
    let rows = statement.query_map(params![look_alike_key(mark), exact_key(mark)], |row| row.get(0))?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// The followed yards that have a clamp.
pub fn yards_of(connection: &Connection, clamp: ClampId) -> Done<Vec<YardKnowledge>> {
    let mut statement = connection.prepare_cached(
        "select yard.yard_id, known_position, known_at, pull from clamp_yard join yard using (yard_id) where clamp_id = ?1",
    )?;
    let rows = statement.query_map(params![clamp.to_string()], raw_knowledge)?;
    rows.map(|row| knowledge(row?)).collect()
}

/// What all of these yards know.
pub fn least(yards: &[YardKnowledge]) -> Option<Pulled> {
    yards
        .iter()
        .map(YardKnowledge::pulled)
        .reduce(|one, other| Pulled {
            position: one.position.min(other.position),
            pull: one.pull.min(other.pull),
        })
}

/// What is known of every followed yard.
pub fn yard_knowledge(connection: &Connection) -> Done<Vec<YardKnowledge>> {
    let mut statement = connection
        .prepare_cached("select yard_id, known_position, known_at, pull from yard order by yard_id")?;
    let rows = statement.query_map([], raw_knowledge)?;
    rows.map(|row| knowledge(row?)).collect()
}

fn raw_knowledge(row: &Row<'_>) -> rusqlite::Result<(String, i64, String, i64)> {
    Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?))
}

fn knowledge((yard, position, at, pull): (String, i64, String, i64)) -> Done<YardKnowledge> {
    Ok(YardKnowledge {
        yard_id: yard
            .parse()
            .map_err(|error| Failure::unreadable("id of a yard", error))?,
        known_position: count(position),
        known_at: at
            .parse()
            .map_err(|error| Failure::unreadable("time of a yard's knowledge", error))?,
        pull: count(pull),
    })
}

/// The cursors of the followed yards.
pub fn cursors(connection: &Connection) -> Done<BTreeMap<YardId, String>> {
    let mut statement = connection.prepare("select yard_id, cursor from yard")?;
    let rows = statement.query_map([], |row| Ok((row.get::<_, String>(0)?, row.get(1)?)))?;
    rows.map(|row| {
        let (yard, cursor) = row?;
        let yard = yard
            .parse()
            .map_err(|error| Failure::unreadable("id of a yard", error))?;
        Ok((yard, cursor))
    })
    .collect()
}

/// How many yards and clamps there are.
pub fn numbers(connection: &Connection) -> Done<(u64, u64)> {
    let (yards, clamps): (i64, i64) = connection.query_row(
        "select (select count(*) from yard), (select count(*) from clamp)",
        [],
        |row| Ok((row.get(0)?, row.get(1)?)),
    )?;
    Ok((count(yards), count(clamps)))
}

fn value<T: DeserializeOwned>(connection: &Connection, kind: &str, id: &str) -> Done<Option<T>> {
    let text: Option<String> = connection
        .prepare_cached("select value from reference where kind = ?1 and id = ?2")?
        .query_row(params![kind, id], |row| row.get(0))
        .optional()?;
    text.map(|text| {
        serde_json::from_str(&text).map_err(|error| Failure::unreadable(format!("{kind} {id}"), error))
    })
    .transpose()
}

/// A person.
pub fn person(connection: &Connection, id: PersonId) -> Done<Option<Person>> {
    value(connection, "person", &id.to_string())
}

/// The reference data that judging these yards, models and people needs.
pub fn reference_of(
    connection: &Connection,
    yards: &[YardId],
    models: &[ModelId],
    people: &[PersonId],
) -> Done<Reference> {
    let mut reference = Reference::default();
    for yard in yards {
        if let Some(versions) = value(connection, "yard", &yard.to_string())? {
            reference.yards.insert(*yard, versions);
        }
    }
    for model in models {
        if let Some(versions) = value(connection, "model", &model.to_string())? {
            reference.models.insert(*model, versions);
        }
    }
    for id in people {
        if let Some(person) = person(connection, *id)? {
            reference.people.insert(*id, person);
        }
    }
    Ok(reference)
}
