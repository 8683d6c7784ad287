//! The device's own entries about a clamp whose effect its mirror does not show yet.

use super::{COLUMNS, Kept, KeptState, kept, raw_row, whole};
use crate::failure::Done;
use clampward_domain::ids::{ClampId, EntryId};
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
    /// Before anything was pulled.
    pub const NOTHING: Self = Self { position: 0, pull: 0 };
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

/// Whether what was pulled shows a recorded entry: what is known is complete up to its position, and its row came or it was
/// pulled after the service had told that position. The position alone says so only of what the service can no longer lose:
/// otherwise a standby without the entry may have taken over before that pull, and something else stands there. A row that
/// came shows nothing by itself: what is known may have been taken anew since, from a database that is behind.
fn is_shown(kept: &Kept, pulled: &[Pulled]) -> bool {
    kept.position.is_some_and(|position| {
        pulled.iter().any(|pulled| {
            let came = kept.seen && position <= pulled.position;
            came || (kept.stable && pulled.shows(position, kept.after_pull))
        })
    })
}

/// Notes entries whose rows came with the states of their clamps.
pub fn note_seen(connection: &Connection, entries: impl Iterator<Item = EntryId>) -> Done {
    for id in entries {
        connection
            .prepare_cached(
                "update journal set seen = 1 where entry_id = ?1 and state = 'recorded' and again = 0",
            )?
            .execute(params![id.to_string()])?;
    }
    Ok(())
}

/// The service did not say whether it still has what it acknowledged, and may have lost it: what is not shown by now is
/// shown by no position until it says so. `pulled` is what all yards know at least.
pub fn doubt(connection: &Connection, pulled: Pulled) -> Done {
    connection.execute(
        "update journal set stable = 0 where stable = 1 and (after_pull >= ?1 or position > ?2)",
        params![whole(pulled.pull)?, whole(pulled.position)?],
    )?;
    Ok(())
}

/// The entries about a clamp, named by its id or its mark, that the mirror cannot show yet: unsent ones, ones that the
/// service holds or refused, and recorded or dismissed ones that nothing shows which was pulled since. In the order in
/// which they were written.
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
            KeptState::Recorded => !kept.again && is_shown(&kept, pulled),
            // What the service had it bar is told by what is pulled after the word.
            KeptState::Dismissed => !kept.again && pulled.iter().any(|pulled| pulled.pull > kept.after_pull),
            KeptState::Unsent | KeptState::Held | KeptState::Refused => false,
        };
        if !shown {
            let entry = kept.entry();
            own.push(Restriction { kept, entry });
        }
    }
    Ok(own)
}
