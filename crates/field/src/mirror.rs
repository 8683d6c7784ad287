//! The mirror: what the device was told of its yards. Rows and cursor are written in one transaction.
//!
//! A clamp's state is taken by its position: whichever is later in the same history counts. A snapshot goes into a
//! shadow and takes the place of a yard in one step. The mirror judges nothing, and never touches the journal.

mod follow;
mod read;
mod shadow;

pub use follow::{drop_yard, other_history, page, shown_by};
pub use read::{
    ClampRow, YardKnowledge, bearing, candidates, clamp, cursors, least, numbers, person, reference_of,
    yard_knowledge, yards_of,
};
pub use shadow::{begin, drop_shadow, lines, shadows, swap};

use crate::database::{set, setting};
use crate::failure::Done;
use crate::journal::whole;
use clampward_domain::fold::ClampState;
use clampward_domain::mark::{exact_key, look_alike_key};
use clampward_domain::reference::{Person, Version};
use clampward_wire::sync::pull::ReferenceLine;
use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension, params};
use serde::Serialize;

/// Which history of the service positions are of. Positions of different ones say nothing about one another.
fn generation(connection: &Connection) -> Done<i64> {
    Ok(setting(connection, "generation")?.unwrap_or(0))
}

/// How many pages and snapshots were taken up so far: what is known of a yard is of the last one that told of it.
pub fn pulls(connection: &Connection) -> Done<u64> {
    Ok(setting(connection, "pulls")?.unwrap_or(0))
}

/// Counts the one that is taken up now.
fn next_pull(connection: &Connection) -> Done<i64> {
    let number = pulls(connection)?.saturating_add(1);
    set(connection, "pulls", &number)?;
    whole(number)
}

/// Where a state stands among those of its clamp: the latest counts.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Place {
    generation: i64,
    position: i64,
    /// At one position a state is computed anew when reference data change.
    reference_version: i64,
}

/// The place of the state that is kept of a clamp.
fn known_place(connection: &Connection, clamp: &str) -> Done<Option<Place>> {
    let place = connection
        .prepare_cached("select generation, position, reference_version from clamp where clamp_id = ?1")?
        .query_row(params![clamp], |row| {
            Ok(Place {
                generation: row.get(0)?,
                position: row.get(1)?,
                reference_version: row.get(2)?,
            })
        })
        .optional()?;
    Ok(place)
}

/// What is kept of a state beside it, to find it by.
struct Found {
    mark: Option<String>,
    mark_key: Option<String>,
    look_alike_key: Option<String>,
    retired: bool,
}

impl Found {
    fn of(state: &ClampState) -> Self {
        let mark = state.asset_mark();
        Self {
            mark_key: mark.as_deref().map(exact_key),
            look_alike_key: mark.as_deref().map(look_alike_key),
            mark,
            retired: state.retirement().is_some(),
        }
    }
}

/// What becomes of reference data that are known already: within a history nothing is taken back, so that those that tell
/// of fewer changes are older, whenever they come. A snapshot that was taken up again brings them as they were when it
/// began, and a database that follows another one may be behind.
const NEWER: &str = "on conflict (kind, id) do update set
         generation = excluded.generation, changes = excluded.changes, changed_at = excluded.changed_at, value = excluded.value
     where (excluded.generation, excluded.changes, excluded.changed_at)
           >= (reference.generation, reference.changes, reference.changed_at)";

/// Reference data as they are kept.
struct ReferenceRow {
    kind: &'static str,
    id: String,
    /// How many changes they tell of.
    changes: i64,
    /// When the last of these was recorded, in microseconds: a withdrawal that is moved to an earlier day takes the place
    /// of the one before.
    changed_at: i64,
    value: String,
}

impl ReferenceRow {
    fn of(line: &ReferenceLine) -> Done<Self> {
        match line {
            ReferenceLine::Yard { yard_id, versions } => {
                Self::new("yard", yard_id.to_string(), versions, recorded(&versions.0))
            }
            ReferenceLine::Model { model_id, versions } => {
                Self::new("model", model_id.to_string(), versions, recorded(&versions.0))
            }
            ReferenceLine::Person { person_id, person } => {
                Self::new("person", person_id.to_string(), person, changed(person))
            }
        }
    }

    fn new(
        kind: &'static str,
        id: String,
        value: &impl Serialize,
        recorded: impl Iterator<Item = Timestamp>,
    ) -> Done<Self> {
        let mut changes = 0_i64;
        let mut latest = Timestamp::MIN;
        for at in recorded {
            changes = changes.saturating_add(1);
            latest = latest.max(at);
        }
        Ok(Self {
            kind,
            id,
            changes,
            changed_at: latest.as_microsecond(),
            value: serde_json::to_string(value)?,
        })
    }
}

/// When versions were recorded.
fn recorded<T>(versions: &[Version<T>]) -> impl Iterator<Item = Timestamp> {
    versions.iter().map(|version| version.recorded_at)
}

/// When a person's roles and competences were recorded, and competences withdrawn.
fn changed(person: &Person) -> impl Iterator<Item = Timestamp> {
    let grants = person.grants.iter().map(|grant| grant.recorded_at);
    let competences = person.competences.iter().flat_map(|competence| {
        let revoked = competence.revoked.as_ref();
        [
            Some(competence.recorded_at),
            revoked.map(|revoked| revoked.recorded_at),
        ]
    });
    grants.chain(competences.flatten())
}
