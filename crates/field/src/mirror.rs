//! The mirror: what the device was told of its yards. Rows and cursor are written in one transaction.
//!
//! A clamp's state is taken by its position: whichever is later in the same history counts. A snapshot goes into a
//! shadow and takes the place of a yard in one step. The mirror judges nothing, and never touches the journal.

mod follow;
mod read;
mod shadow;

pub use follow::{drop_yard, other_history, page};
pub use read::{
    ClampRow, YardKnowledge, bearing, candidates, clamp, cursors, numbers, person, reference_of,
    yard_knowledge, yards_of,
};
pub use shadow::{begin, drop_shadow, lines, shadows, swap};

use crate::database::setting;
use crate::failure::Done;
use clampward_domain::fold::ClampState;
use clampward_domain::mark::{exact_key, look_alike_key};
use clampward_wire::sync::pull::ReferenceLine;
use rusqlite::Connection;

/// Which history of the service positions are of. Positions of different ones say nothing about one another.
fn generation(connection: &Connection) -> Done<i64> {
    Ok(setting(connection, "generation")?.unwrap_or(0))
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
            retired: state.retired.is_some(),
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
