//! `sync` and `queue`.

use super::Desk;
use super::device::expect;
use crate::core::Progress;
use crate::failure::{Done, Failure};
use crate::journal::{self, KeptState};
use crate::session::synchronise;
use crate::transport::Wire;
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
    let numbering = journal::numbering(desk.database.connection())?;
    let http = crate::transport::Http::new(
        &identity.server,
        Some(identity.clone()),
        &secret,
        desk.host.clock,
        desk.host.random,
        desk.ahead()?,
    );
    let mut wire = Wire::new(http, numbering.device_number);
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
    desk.say(&value, || {
        let mut text = format!(
            "{} entries recorded, {} held, {} refused, {} left; {} rows and {} clamps fetched.\n",
            report.recorded, report.held, report.refused, report.left, report.rows, report.clamps
        );
        for note in &report.notes {
            text += &format!("  {note}\n");
        }
        for trouble in &report.troubles {
            text += &format!("  ! {}\n", trouble.detail);
        }
        text
    });
    Ok(report.is_complete())
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
                "result": kept.result,
            })
        })
        .collect();
    let unsent = journal::unsent(connection)?;
    desk.say(&json!({"unsent": unsent, "items": items}), || {
        let mut text = format!("{unsent} entries are unsent.\n");
        for item in &items {
            let word = |name: &str| item.get(name).and_then(Value::as_str).unwrap_or("–").to_owned();
            text += &format!(
                "  {} {} {} of {}: {}\n",
                item.get("device_seq").and_then(Value::as_u64).unwrap_or(0),
                word("entry_id"),
                word("kind"),
                word("performed_at"),
                word("state")
            );
        }
        text
    });
    Ok(true)
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
