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
use clampward_wire::sync::pull::ReferenceLine;
use rusqlite::{Connection, OptionalExtension, params};

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

/// Kind, id and text of reference data.
fn reference_row(line: &ReferenceLine) -> Done<(&'static str, String, String)> {
    Ok(match line {
        ReferenceLine::Yard { yard_id, versions } => {
            ("yard", yard_id.to_string(), serde_json::to_string(versions)?)
        }
        ReferenceLine::Model { model_id, versions } => {
            ("model", model_id.to_string(), serde_json::to_string(versions)?)
        }
        ReferenceLine::Person { person_id, person } => {
            ("person", person_id.to_string(), serde_json::to_string(person)?)
        }
    })
}
