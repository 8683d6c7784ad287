//! The device's own entries about a clamp whose effect its mirror does not show yet.

use super::{COLUMNS, Kept, KeptState, kept, raw_row};
use crate::failure::Done;
use clampward_domain::ids::ClampId;
use clampward_domain::mark::exact_key;
use clampward_wire::sync::push::PushEntry;
use rusqlite::{Connection, params};

/// An own entry that may restrict.
#[derive(Clone, Debug, PartialEq)]
pub struct Restriction {
    /// The journal's row.
    pub kept: Kept,
    /// The entry; nothing if this version cannot read it, which restricts too.
    pub entry: Option<PushEntry>,
}

/// The entries about a clamp, named by its id or its mark, that the mirror cannot show yet: unsent ones, ones that the
/// service holds or refused, and recorded ones whose position lies beyond what is known of the clamp. In the order in
/// which they were written.
pub fn own_entries(
    connection: &Connection,
    clamp: Option<ClampId>,
    mark: Option<&str>,
    known_position: u64,
) -> Done<Vec<Restriction>> {
    let mut statement = connection.prepare_cached(&format!(
        "select {COLUMNS} from journal where clamp_id = ?1 or mark_key = ?2 order by device_number, device_seq"
    ))?;
    let rows = statement.query_map(
        params![clamp.map(|clamp| clamp.to_string()), mark.map(exact_key)],
        raw_row,
    )?;
    let mut own = Vec::new();
    for row in rows {
        let kept = kept(row?)?;
        let shown = match kept.state {
            // What the service may have lost is not shown by whatever its history holds there now.
            KeptState::Recorded => {
                !kept.again && kept.position.is_some_and(|position| position <= known_position)
            }
            KeptState::Unsent | KeptState::Held | KeptState::Refused => false,
        };
        if !shown {
            let entry = kept.entry();
            own.push(Restriction { kept, entry });
        }
    }
    Ok(own)
}
