//! Snapshots: stored beside the mirror as they come, and put in its place in one step.

use super::follow::{belongs, drop_orphans, put};
use super::{Found, NEWER, Place, ReferenceRow, generation, known_place, next_pull};
use crate::core::{Shadow, cursor_of};
use crate::failure::{Done, Failure};
use crate::journal::whole;
use clampward_domain::ids::{ClampId, YardId};
use clampward_wire::sync::pull::{SnapshotHead, SnapshotLine};
use rusqlite::{Connection, OptionalExtension, params};
use std::collections::BTreeMap;

/// Begins a snapshot anew.
pub fn begin(connection: &Connection, yard: YardId, head: &SnapshotHead) -> Done {
    drop_shadow(connection, yard)?;
    connection.execute(
        "insert into shadow_yard (yard_id, generation, head, after) values (?1, ?2, ?3, null)",
        params![
            yard.to_string(),
            generation(connection)?,
            serde_json::to_string(head)?
        ],
    )?;
    Ok(())
}

/// Stores lines of it, and how far it is.
pub fn lines(connection: &Connection, yard: YardId, lines: &[SnapshotLine]) -> Done {
    let id = yard.to_string();
    let mut last = None;
    for line in lines {
        match line {
            SnapshotLine::Reference(line) => {
                let row = ReferenceRow::of(line)?;
                connection
                    .prepare_cached(
                        "insert or replace into shadow_reference (yard_id, kind, id, changes, changed_at, value)
                         values (?1, ?2, ?3, ?4, ?5, ?6)",
                    )?
                    .execute(params![
                        id,
                        row.kind,
                        row.id,
                        row.changes,
                        row.changed_at,
                        row.value
                    ])?;
            }
            SnapshotLine::Clamp(line) => {
                let clamp = &line.clamp;
                last = Some(clamp.clamp_id);
                let Some(state) = &clamp.state else { continue };
                let found = Found::of(state);
                connection
                    .prepare_cached(
                        "insert or replace into shadow_clamp
                             (yard_id, clamp_id, position, reference_version, mark, mark_key, look_alike_key, retired, state)
                         values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
                    )?
                    .execute(params![
                        id,
                        clamp.clamp_id.to_string(),
                        whole(clamp.position)?,
                        whole(clamp.reference_version)?,
                        found.mark,
                        found.mark_key,
                        found.look_alike_key,
                        found.retired,
                        serde_json::to_string(state)?,
                    ])?;
            }
        }
    }
    if let Some(cursor) = lines.iter().rev().find_map(cursor_of) {
        let head: String = connection.query_row(
            "select head from shadow_yard where yard_id = ?1",
            params![id],
            |row| row.get(0),
        )?;
        let head = SnapshotHead {
            cursor: cursor.to_owned(),
            ..head_of(&head)?
        };
        connection
            .prepare_cached("update shadow_yard set head = ?2 where yard_id = ?1")?
            .execute(params![id, serde_json::to_string(&head)?])?;
    }
    if let Some(last) = last {
        connection
            .prepare_cached("update shadow_yard set after = ?2 where yard_id = ?1")?
            .execute(params![id, last.to_string()])?;
    }
    Ok(())
}

fn head_of(text: &str) -> Done<SnapshotHead> {
    serde_json::from_str(text).map_err(|error| Failure::unreadable("the head of a snapshot", error))
}

/// Drops what was stored of a snapshot.
pub fn drop_shadow(connection: &Connection, yard: YardId) -> Done {
    let id = yard.to_string();
    for table in ["shadow_yard", "shadow_clamp", "shadow_reference"] {
        connection.execute(&format!("delete from {table} where yard_id = ?1"), params![id])?;
    }
    Ok(())
}

/// Puts a whole snapshot in the place of what is known of the yard.
pub fn swap(connection: &Connection, yard: YardId) -> Done {
    let id = yard.to_string();
    let (generation, head): (i64, String) = connection
        .query_row(
            "select generation, head from shadow_yard where yard_id = ?1",
            params![id],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )
        .optional()?
        .ok_or_else(|| Failure::unreadable("the snapshot of a yard", &id))?;
    let head = head_of(&head)?;
    connection.execute("delete from clamp_yard where yard_id = ?1", params![id])?;
    let pull = next_pull(connection)?;
    let mut shadow = connection.prepare(
        "select clamp_id, position, reference_version, mark, mark_key, look_alike_key, retired, state from shadow_clamp where yard_id = ?1",
    )?;
    let mut rows = shadow.query(params![id])?;
    while let Some(row) = rows.next()? {
        let text: String = row.get(0)?;
        let clamp: ClampId = text
            .parse()
            .map_err(|error| Failure::unreadable("id of a clamp", error))?;
        let place = Place {
            generation,
            position: row.get(1)?,
            reference_version: row.get(2)?,
        };
        let found = Found {
            mark: row.get(3)?,
            mark_key: row.get(4)?,
            look_alike_key: row.get(5)?,
            retired: row.get(6)?,
        };
        let state: String = row.get(7)?;
        belongs(connection, yard, clamp)?;
        // A state that another yard's page told meanwhile is kept where it is later.
        if known_place(connection, &text)?.is_none_or(|known| known <= place) {
            put(connection, clamp, place, pull, &found, &state)?;
        }
    }
    connection.execute(
        &format!(
            "insert into reference (kind, id, generation, changes, changed_at, value)
             select kind, id, ?2, changes, changed_at, value from shadow_reference where yard_id = ?1
             {NEWER}"
        ),
        params![id, generation],
    )?;
    connection.execute(
        "insert or replace into yard (yard_id, cursor, known_position, known_at, pull) values (?1, ?2, ?3, ?4, ?5)",
        params![
            id,
            head.cursor,
            whole(head.position)?,
            head.generated_at.to_string(),
            pull,
        ],
    )?;
    drop_shadow(connection, yard)?;
    drop_orphans(connection)?;
    Ok(())
}

/// Snapshots that were begun.
pub fn shadows(connection: &Connection) -> Done<BTreeMap<YardId, Shadow>> {
    let mut statement = connection.prepare("select yard_id, head, after from shadow_yard")?;
    let rows = statement.query_map([], |row| {
        Ok((
            row.get::<_, String>(0)?,
            row.get::<_, String>(1)?,
            row.get::<_, Option<String>>(2)?,
        ))
    })?;
    let unreadable = |error: uuid::Error| Failure::unreadable("a snapshot that was begun", error);
    rows.map(|row| {
        let (yard, head, after) = row?;
        let head = head_of(&head)?;
        let shadow = Shadow {
            epoch: head.epoch,
            cursor: head.cursor,
            after: after.map(|after| after.parse()).transpose().map_err(unreadable)?,
        };
        Ok((yard.parse().map_err(unreadable)?, shadow))
    })
    .collect()
}
