//! `sync` and `queue`.

use super::Desk;
use super::device::expect;
use crate::core::{Progress, Report};
use crate::failure::{Done, Failure};
use crate::journal::{self, Kept, KeptState};
use crate::session::synchronise;
use crate::transport::{Wire, check_address};
use rusqlite::Connection;
use serde_json::{Value, json};
use std::fs::{File, TryLockError};
use std::io::IsTerminal;
use std::path::Path;

/// One run at a time: two would take each other's snapshots apart. The lock ends with the process, however that ends.
fn alone(dir: &Path) -> Done<File> {
    let path = dir.join("sync.lock");
    let failed = |cause| Failure::File {
        path: path.display().to_string(),
        cause,
    };
    let file = crate::private::options().open(&path).map_err(failed)?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(Failure::UnderWay),
        Err(TryLockError::Error(cause)) => Err(failed(cause)),
    }
}

/// `sync`: one run, with its progress on standard error.
pub(super) fn sync(desk: &mut Desk<'_>) -> Done<bool> {
    let _alone = alone(&desk.dir)?;
    let secret = desk.secret()?;
    let identity = desk.identity()?;
    check_address(&identity.server)?;
    let http = crate::transport::Http::new(
        &identity.server,
        Some(identity.clone()),
        &secret,
        desk.host.clock,
        desk.host.random,
        desk.ahead()?,
    );
    let mut wire = Wire::new(http);
    let quiet = desk.json || !std::io::stderr().is_terminal();
    let report = synchronise(&mut desk.database, &mut wire, desk.host.clock, &mut |progress| {
        if !quiet {
            eprint!("\r\u{1b}[K{}", shown(progress));
        }
    })?;
    if !quiet {
        eprintln!();
    }
    let value = serde_json::to_value(&report)?;
    let unsent = journal::unsent(desk.database.connection())?;
    let (yards, clamps) = crate::mirror::numbers(desk.database.connection())?;
    desk.say(&value, || came_to(&report, unsent, yards, clamps));
    Ok(report.is_complete())
}

/// A run in words: what became of what was written here, and what is known now.
fn came_to(report: &Report, unsent: u64, yards: u64, clamps: u64) -> String {
    let mut text = if report.reached {
        let mut parts = Vec::new();
        let mut part = |number: u64, words: &str| {
            if number > 0 {
                parts.push(format!("{} {words}", count(number, "entry", "entries")));
            }
        };
        part(report.recorded, "recorded");
        part(report.held, "held until a person places it");
        part(report.refused, "refused: a person has to look");
        part(unsent, "not sent yet, and kept here");
        if parts.is_empty() {
            parts.push("nothing to send".to_owned());
        }
        format!(
            "Synchronised: {}. {} of {} known here.\n",
            parts.join(", "),
            count(clamps, "clamp", "clamps"),
            count(yards, "yard", "yards")
        )
    } else {
        format!(
            "Not synchronised. {} here, on this device's disk, until there is a network.\n",
            match unsent {
                0 => "Nothing waits".to_owned(),
                1 => "1 entry waits".to_owned(),
                more => format!("{more} entries wait"),
            }
        )
    };
    for note in &report.notes {
        text += &format!("  {note}\n");
    }
    for trouble in &report.troubles {
        text += &format!("  ! {}\n", trouble.detail);
    }
    text
}

fn count(number: u64, one: &str, more: &str) -> String {
    format!("{number} {}", if number == 1 { one } else { more })
}

fn shown(progress: &Progress) -> String {
    match progress {
        Progress::Pushing { done, of } => format!("sent {done} of {of}"),
        Progress::Pulling { rows } => format!("{rows} changes fetched"),
        Progress::Snapshot { yard, clamps } => format!("yard {yard}: {clamps} clamps fetched"),
    }
}

/// `queue`: what is not settled, and what the service said of it.
pub(super) fn queue(desk: &Desk<'_>, all: bool) -> Done<bool> {
    let connection = desk.database.connection();
    let kept: Vec<_> = journal::all(connection)?
        .into_iter()
        .filter(|kept| all || kept.again || kept.state != KeptState::Recorded)
        .collect();
    let items: Vec<Value> = kept
        .iter()
        .map(|kept| {
            let entry = kept.entry();
            json!({
                "entry_id": kept.entry_id,
                "device_seq": kept.device_seq,
                "kind": entry.as_ref().map(|entry| entry.kind),
                "clamp_id": entry.as_ref().and_then(|entry| entry.clamp_id),
                "mark": entry.as_ref().and_then(|entry| entry.mark.clone()),
                "performed_at": entry.as_ref().map(|entry| entry.performed_at),
                "signed": entry.as_ref().is_some_and(|entry| entry.signature.is_some()),
                "state": kept.state,
                "again": kept.again,
                "settled_at": kept.settled_at,
                "result": kept.result,
            })
        })
        .collect();
    let unsent = journal::unsent(connection)?;
    desk.say(&json!({"unsent": unsent, "items": items}), || {
        let mut text = match unsent {
            0 => "Nothing is unsent.\n".to_owned(),
            1 => "1 entry is not sent yet.\n".to_owned(),
            more => format!("{more} entries are not sent yet.\n"),
        };
        for (kept, item) in kept.iter().zip(&items) {
            text += &line(connection, kept, item);
        }
        text
    });
    Ok(true)
}

/// An entry of the queue for a person.
fn line(connection: &Connection, kept: &Kept, item: &Value) -> String {
    let word = |name: &str| item.get(name).and_then(Value::as_str).map(str::to_owned);
    let entry = kept.entry();
    let clamp = entry.as_ref().and_then(|entry| entry.clamp_id);
    let mark = word("mark").or_else(|| {
        let row = crate::mirror::clamp(connection, clamp?).ok()??;
        row.mark
    });
    let state = match kept.state {
        _ if kept.again => "sent, offered again",
        KeptState::Unsent => "not sent yet",
        KeptState::Recorded => "recorded",
        KeptState::Held => "held by the service until a person places it",
        KeptState::Refused => "refused: a person has to look",
        KeptState::Dismissed => "dismissed by a person: nothing comes of it any more",
    };
    let remarks = kept
        .result
        .as_ref()
        .and_then(|result| result.get("remarks"))
        .and_then(Value::as_array)
        .into_iter()
        .flatten()
        .filter_map(|remark| remark.get("detail").and_then(Value::as_str))
        .map(|detail| format!("      {detail}\n"))
        .collect::<String>();
    format!(
        "  {:>3}  {}  {} {}: {state}\n{remarks}",
        kept.device_seq,
        entry.map_or_else(
            || "–".to_owned(),
            |entry| entry.performed_at.strftime("%F %H:%M UTC").to_string()
        ),
        mark.unwrap_or_else(|| "a clamp that is not known here".to_owned()),
        word("kind").map_or_else(|| "–".to_owned(), |kind| kind.replace('_', " ")),
    )
}

/// Brings a file in as a person.
pub(super) fn bring_in(desk: &Desk<'_>, body: &[u8]) -> Done<Value> {
    let secret = desk.secret()?;
    let http = desk.http(&secret)?;
    let email = match desk.who.clone() {
        Some(email) => email,
        None => crate::keys::signer(desk.database.connection(), None)?.email,
    };
    let token = super::device::token(desk, &http, &email)?;
    let once = crate::random::id(desk.host.random, desk.host.clock.moment().wall)?.to_string();
    expect(
        http.post("/v1/sync/imports", body, Some(&token), Some(&once)),
        "bringing the file in",
    )
}
