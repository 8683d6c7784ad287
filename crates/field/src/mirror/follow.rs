//! Following the yards: pages of changes, yards that go.

use super::{Found, NEWER, Place, ReferenceRow, generation, known_place, next_pull};
use crate::database::set;
use crate::failure::Done;
use crate::journal::{count, whole};
use clampward_domain::ids::{ClampId, EntryId, YardId};
use clampward_wire::sync::pull::{ClampLine, ReferenceLine, YardChanges};
use jiff::Timestamp;
use rusqlite::{Connection, params};

/// Writes a page and its cursor. A page that does not follow the cursor that the device has is not of use: nothing is
/// written, and the answer says so.
pub fn page(connection: &Connection, page: &YardChanges) -> Done<bool> {
    let pull = next_pull(connection)?;
    // The beginning of 1970 says that nothing new is known: what was known stays as old as it is. Such a page of a
    // database that follows another one names the cursor's position, which may be of a history that is gone by now.
    let known_at = Some(page.known_at).filter(|at| *at != Timestamp::UNIX_EPOCH);
    let moved = connection
        .prepare_cached(
            "update yard set cursor = ?3,
                 known_position = case when ?5 is null then known_position else ?4 end,
                 known_at = coalesce(?5, known_at),
                 pull = case when ?5 is null then pull else ?6 end
             where yard_id = ?1 and cursor = ?2",
        )?
        .execute(params![
            page.yard_id.to_string(),
            page.from,
            page.next_cursor,
            whole(page.known_position)?,
            known_at.map(|at| at.to_string()),
            pull,
        ])?;
    if moved == 0 {
        return Ok(false);
    }
    for line in &page.reference {
        reference(connection, line)?;
    }
    for line in &page.clamps {
        self::line(connection, page.yard_id, pull, line)?;
    }
    Ok(true)
}

/// The entries that a page shows: their rows came, and with them their clamps' states, which are at least as new.
pub fn shown_by(page: &YardChanges) -> impl Iterator<Item = EntryId> {
    page.rows
        .iter()
        .filter(move |row| {
            page.clamps.iter().any(|line| {
                line.clamp_id.uuid() == row.subject && line.position >= row.position && line.state.is_some()
            })
        })
        .map(|row| EntryId::new(row.id))
}

/// Takes reference data as they are told, unless what is known of them is newer.
fn reference(connection: &Connection, line: &ReferenceLine) -> Done {
    let row = ReferenceRow::of(line)?;
    connection
        .prepare_cached(&format!(
            "insert into reference (kind, id, generation, changes, changed_at, value) values (?1, ?2, ?3, ?4, ?5, ?6)
             {NEWER}"
        ))?
        .execute(params![
            row.kind,
            row.id,
            generation(connection)?,
            row.changes,
            row.changed_at,
            row.value
        ])?;
    Ok(())
}

/// Takes what a yard's page says of a clamp.
fn line(connection: &Connection, yard: YardId, pull: i64, line: &ClampLine) -> Done {
    match &line.state {
        Some(state) => {
            belongs(connection, yard, line.clamp_id)?;
            let place = Place {
                generation: generation(connection)?,
                position: whole(line.position)?,
                reference_version: whole(line.reference_version)?,
            };
            let known = known_place(connection, &line.clamp_id.to_string())?;
            if known.is_none_or(|known| known <= place) {
                let found = Found::of(state);
                let text = serde_json::to_string(state)?;
                put(connection, line.clamp_id, place, pull, &found, &text)?;
            }
        }
        // It left this yard, whatever position is known of it: that came from another yard, whose word keeps it here.
        // A membership that nobody takes back would have its last state told for ever.
        None => {
            connection
                .prepare_cached("delete from clamp_yard where yard_id = ?1 and clamp_id = ?2")?
                .execute(params![yard.to_string(), line.clamp_id.to_string()])?;
            drop_orphan(connection, line.clamp_id)?;
        }
    }
    Ok(())
}

/// Notes that a yard has a clamp.
pub(super) fn belongs(connection: &Connection, yard: YardId, clamp: ClampId) -> Done {
    connection
        .prepare_cached("insert or ignore into clamp_yard (yard_id, clamp_id) values (?1, ?2)")?
        .execute(params![yard.to_string(), clamp.to_string()])?;
    Ok(())
}

/// Writes a clamp's state.
pub(super) fn put(
    connection: &Connection,
    clamp: ClampId,
    place: Place,
    pull: i64,
    found: &Found,
    state: &str,
) -> Done {
    connection
        .prepare_cached(
            "insert into clamp (clamp_id, generation, position, reference_version, pull, mark, mark_key, look_alike_key,
                                retired, state)
             values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)
             on conflict (clamp_id) do update set generation = excluded.generation, position = excluded.position,
                 reference_version = excluded.reference_version, pull = excluded.pull, mark = excluded.mark, mark_key = excluded.mark_key, look_alike_key = excluded.look_alike_key,
                 retired = excluded.retired, state = excluded.state",
        )?
        .execute(params![
            clamp.to_string(),
            place.generation,
            place.position,
            place.reference_version,
            pull,
            found.mark,
            found.mark_key,
            found.look_alike_key,
            found.retired,
            state,
        ])?;
    Ok(())
}

/// Drops a clamp that no followed yard has.
fn drop_orphan(connection: &Connection, clamp: ClampId) -> Done {
    connection
        .prepare_cached(
            "delete from clamp where clamp_id = ?1
             and not exists (select 1 from clamp_yard where clamp_yard.clamp_id = clamp.clamp_id)",
        )?
        .execute(params![clamp.to_string()])?;
    Ok(())
}

/// A yard is not the device's any more: its clamps go, unless another yard of the device has them. The journal stays.
pub fn drop_yard(connection: &Connection, yard: YardId) -> Done<u64> {
    let id = yard.to_string();
    connection.execute("delete from yard where yard_id = ?1", params![id])?;
    connection.execute("delete from clamp_yard where yard_id = ?1", params![id])?;
    super::drop_shadow(connection, yard)?;
    let dropped = drop_orphans(connection)?;
    Ok(dropped)
}

/// Drops every clamp that no followed yard has.
pub(super) fn drop_orphans(connection: &Connection) -> Done<u64> {
    let dropped = connection.execute(
        "delete from clamp where clamp_id not in (select clamp_id from clamp_yard)",
        [],
    )?;
    Ok(count(i64::try_from(dropped).unwrap_or(i64::MAX)))
}

/// From here on positions are of another history: nothing is known of any yard until it is told anew, and what was stored
/// of snapshots is of no use.
pub fn other_history(connection: &Connection) -> Done {
    set(
        connection,
        "generation",
        &generation(connection)?.saturating_add(1),
    )?;
    connection.execute(
        "update yard set known_position = 0, known_at = ?1",
        params![Timestamp::UNIX_EPOCH.to_string()],
    )?;
    connection.execute_batch(
        "delete from shadow_yard; delete from shadow_clamp; delete from shadow_reference;
         delete from setting where name = 'acknowledged_to';",
    )?;
    Ok(())
}
