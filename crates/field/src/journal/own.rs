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

/// What was pulled last: complete up to this position, as this pull told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pulled {
    /// The position.
    pub position: u64,
    /// The number of the pull.
    pub pull: u64,
}

impl Pulled {
    /// As if everything had been pulled.
    pub const EVERYTHING: Self = Self {
        position: u64::MAX,
        pull: u64::MAX,
    };

    /// Whether it shows an entry that was recorded at a position, told after a pull. Knowledge that is older than that
    /// word may be of a history in which something else stands at the position.
    const fn shows(self, position: u64, after_pull: u64) -> bool {
        self.pull > after_pull && position <= self.position
    }
}

/// The entries about a clamp, named by its id or its mark, that the mirror cannot show yet: unsent ones, ones that the
/// service holds or refused, and recorded ones that nothing shows which was pulled since. In the order in which they
/// were written.
pub fn own_entries(
    connection: &Connection,
    clamp: Option<ClampId>,
    mark: Option<&str>,
    pulled: &[Pulled],
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
                let is_shown = |position| {
                    pulled
                        .iter()
                        .any(|pulled| pulled.shows(position, kept.after_pull))
                };
                !kept.again && kept.position.is_some_and(is_shown)
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
