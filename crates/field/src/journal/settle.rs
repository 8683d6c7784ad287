//! What the service said about entries.

use super::{KeptState, Numbering, count, whole};
use crate::database::{set, setting};
use crate::failure::{Done, Failure};
use clampward_domain::ids::EntryId;
use clampward_wire::sync::pull::Receipt;
use clampward_wire::sync::push::PushOutcome;
use jiff::{SignedDuration, Timestamp};
use rusqlite::{Connection, params};
use serde_json::Value;

/// For how long an acknowledged entry is kept at least.
const KEPT_FOR: SignedDuration = SignedDuration::from_hours(14 * 24);

/// What an answer says of an entry once and for all.
#[derive(Clone, Debug, PartialEq)]
pub struct Acknowledgement {
    /// The entry.
    pub entry_id: EntryId,
    /// What became of it; nothing, if this version does not know the word.
    pub outcome: Option<PushOutcome>,
    /// Its position in the ledger.
    pub position: Option<u64>,
    /// Whether the same answer says that what stands there outlives the loss of the machine.
    pub stable: bool,
    /// The service's answer as it came.
    pub result: Value,
}

const fn state_of(outcome: PushOutcome) -> KeptState {
    match outcome {
        PushOutcome::Recorded | PushOutcome::AlreadyRecorded => KeptState::Recorded,
        PushOutcome::Held => KeptState::Held,
        PushOutcome::Dismissed => KeptState::Dismissed,
        PushOutcome::Refused => KeptState::Refused,
        PushOutcome::Retry => KeptState::Unsent,
    }
}

/// Writes down results. One that says "send it again", or something that this version does not know, changes nothing but
/// what is shown. `pulls`: how many pulls were taken up so far, none of which can show what is told only now.
pub fn settle(connection: &Connection, results: &[Acknowledgement], at: Timestamp, pulls: u64) -> Done {
    for Acknowledgement {
        entry_id,
        outcome,
        position,
        stable,
        result,
    } in results
    {
        let state = outcome.map_or(KeptState::Unsent, state_of);
        let text = serde_json::to_string(result)?;
        if state == KeptState::Unsent {
            connection
                .prepare_cached("update journal set result = ?2 where entry_id = ?1")?
                .execute(params![entry_id.to_string(), text])?;
            continue;
        }
        connection
            .prepare_cached(
                "update journal set state = ?2, again = 0, position = coalesce(?3, position), settled_at = ?4, result = ?5,
                     after_pull = ?6, stable = ?7, seen = 0, put_off = 0
                 where entry_id = ?1",
            )?
            .execute(params![
                entry_id.to_string(),
                state.code(),
                position.map(whole).transpose()?,
                at.to_string(),
                text,
                whole(pulls)?,
                stable,
            ])?;
    }
    Ok(())
}

/// Takes up what receipts say about entries that were acknowledged before: one that was held may be recorded or dismissed
/// by now, and what is recorded may be at `stable_position` or before it, which counts only in the answer that names the
/// entry. What they repeat is as old as it was.
pub fn take_up_receipts(
    connection: &Connection,
    receipts: &[Receipt],
    stable_position: u64,
    at: Timestamp,
    pulls: u64,
) -> Done {
    for receipt in receipts {
        let Some(entry_id) = receipt.entry_id else {
            continue;
        };
        let state = state_of(receipt.outcome);
        if state == KeptState::Unsent {
            continue;
        }
        connection
            .prepare_cached(
                "update journal set
                     after_pull = case when state <> ?2 or position is not coalesce(?3, position) then ?4 else after_pull end,
                     seen = case when state <> ?2 or position is not coalesce(?3, position) then 0 else seen end,
                     settled_at = case when state <> ?2 then ?6 else settled_at end,
                     state = ?2, position = coalesce(?3, position), stable = ?5
                 where entry_id = ?1 and state <> 'unsent'
                   and (state <> ?2 or position is not coalesce(?3, position) or stable <> ?5)",
            )?
            .execute(params![
                entry_id.to_string(),
                state.code(),
                receipt.position.map(whole).transpose()?,
                whole(pulls)?,
                receipt
                    .position
                    .is_some_and(|position| position <= stable_position),
                at.to_string(),
            ])?;
    }
    Ok(())
}

/// An entry did not get through by itself.
pub fn put_off(connection: &Connection, id: EntryId) -> Done {
    connection
        .prepare_cached("update journal set put_off = put_off + 1 where entry_id = ?1")?
        .execute(params![id.to_string()])?;
    Ok(())
}

/// Offers entries again that were acknowledged: the service may have lost them.
pub fn offer_again(connection: &Connection, entries: &[EntryId]) -> Done {
    for id in entries {
        connection
            .prepare_cached(
                "update journal set again = 1, stable = 0, seen = 0 where entry_id = ?1 and state <> 'unsent'",
            )?
            .execute(params![id.to_string()])?;
    }
    Ok(())
}

/// Goes on under another number: what is unsent is counted anew under it.
pub fn renumber(connection: &Connection, device_number: u32, entries: &[(EntryId, u64)]) -> Done {
    for (id, device_seq) in entries {
        let raw: String = connection
            .prepare_cached("select raw from journal where entry_id = ?1")?
            .query_row(params![id.to_string()], |row| row.get(0))?;
        let mut raw: Value =
            serde_json::from_str(&raw).map_err(|error| Failure::unreadable(format!("entry {id}"), error))?;
        if let Some(number) = raw.get_mut("device_seq") {
            *number = Value::from(*device_seq);
        }
        connection
            .prepare_cached(
                "update journal set device_number = ?2, device_seq = ?3, raw = ?4 where entry_id = ?1",
            )?
            .execute(params![
                id.to_string(),
                device_number,
                whole(*device_seq)?,
                serde_json::to_string(&raw)?
            ])?;
    }
    let highest: Option<i64> = connection
        .prepare_cached("select max(device_seq) from journal where device_number = ?1")?
        .query_row(params![device_number], |row| row.get(0))?;
    set(
        connection,
        "numbering",
        &Numbering {
            device_number,
            next_seq: highest.map_or(1, |highest| count(highest).saturating_add(1)),
        },
    )
}

/// Drops what the service can no longer lose, and only that: one answer said that it is recorded and stable where it
/// stands, and it was acknowledged at least two weeks ago by the service's clock. Only to be asked for after receipts of
/// every entry, so that the answer is not an old one. What a person dismissed goes as late, and not before something was
/// pulled after the word.
pub fn purge(connection: &Connection, pulls: u64, now: Timestamp) -> Done<usize> {
    let Ok(before) = now.checked_sub(KEPT_FOR) else {
        return Ok(0);
    };
    // Times of the service have one form, so that their texts compare as they do; told apart in Rust all the same.
    let mut statement = connection.prepare_cached(
        "select entry_id, settled_at from journal
         where again = 0 and ((state = 'recorded' and stable = 1) or (state = 'dismissed' and after_pull < ?1))",
    )?;
    let rows = statement.query_map(params![whole(pulls)?], |row| {
        Ok((row.get::<_, String>(0)?, row.get::<_, Option<String>>(1)?))
    })?;
    let mut dropped = 0;
    for row in rows.collect::<Result<Vec<_>, _>>()? {
        let (id, settled_at) = row;
        let old = settled_at
            .and_then(|at| at.parse::<Timestamp>().ok())
            .is_some_and(|at| at <= before);
        if old {
            dropped += connection
                .prepare_cached("delete from journal where entry_id = ?1")?
                .execute(params![id])?;
        }
    }
    Ok(dropped)
}

/// The highest `device_seq` that was ever acknowledged under a number.
pub fn acknowledged_to(connection: &Connection, device_number: u32) -> Done<u64> {
    Ok(setting::<(u32, u64)>(connection, "acknowledged_to")?
        .filter(|(number, _)| *number == device_number)
        .map_or(0, |(_, seq)| seq))
}

/// Remembers it.
pub fn note_acknowledged(connection: &Connection, device_number: u32, device_seq: u64) -> Done {
    if acknowledged_to(connection, device_number)? < device_seq {
        set(connection, "acknowledged_to", &(device_number, device_seq))?;
    }
    Ok(())
}
