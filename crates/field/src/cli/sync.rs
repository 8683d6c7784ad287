//! `sync` and `queue`.

use super::Desk;
use super::device::expect;
use crate::core::{Progress, Report};
use crate::failure::Done;
use crate::journal::{self, Kept, KeptState};
use crate::photos::{self, PhotoReport};
use crate::session::synchronise;
use crate::transport::Wire;
use clap::Args;
use rusqlite::Connection;
use serde_json::{Value, json};
use std::io::IsTerminal;

/// How long a look for news waits for some, in seconds; what is written here meanwhile waits so long at most.
const NEWS_SECONDS: &str = "10";
/// How long to wait where the service is not reached, or has left something.
const PAUSE_MS: u64 = 15_000;

/// Arguments of `sync`.
#[derive(Args)]
pub(super) struct Synchronise {
    /// Go on until it is ended: what is written here is sent, what happens elsewhere is fetched as it happens.
    #[arg(long)]
    watch: bool,
}

/// What a run came to.
struct Run {
    is_complete: bool,
    reached: bool,
}

/// `sync`: one run, or one after the other.
pub(super) fn sync(desk: &mut Desk<'_>, arguments: &Synchronise) -> Done<bool> {
    let mut run = once(desk, None)?;
    if !arguments.watch {
        return Ok(run.is_complete);
    }
    loop {
        if !run.is_complete || !wait_for_news(desk)? {
            desk.host.clock.wait(PAUSE_MS);
        }
        run = once(desk, Some(&run))?;
    }
}

/// Asks for what happened since and lets the service wait until there is something. What it answers is fetched by the run that
/// follows: here nothing is stored. No: it could not be asked.
fn wait_for_news(desk: &Desk<'_>) -> Done<bool> {
    let cursors = crate::mirror::cursors(desk.database.connection())?;
    if cursors.is_empty() {
        return Ok(false);
    }
    let secret = desk.secret()?;
    let mut query: Vec<(&str, String)> = cursors.into_values().map(|cursor| ("cursor", cursor)).collect();
    query.push(("limit", "1".to_owned()));
    query.push(("wait", NEWS_SECONDS.to_owned()));
    let reply = desk.http(&secret)?.get_as_device("/v1/sync/changes", &query)?;
    Ok(reply.is_some_and(|reply| reply.is_success()))
}

/// One run, with its progress on standard error. After another one it says something only if there is something to say.
fn once(desk: &mut Desk<'_>, before: Option<&Run>) -> Done<Run> {
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
    let photos = if report.reached {
        send_photos(desk, quiet)?
    } else {
        PhotoReport::of(desk.database.connection())?
    };
    let mut value = serde_json::to_value(&report)?;
    if let Some(fields) = value.as_object_mut() {
        fields.insert("photos".to_owned(), serde_json::to_value(&photos)?);
    }
    let unsent = journal::unsent(desk.database.connection())?;
    let (yards, clamps) = crate::mirror::numbers(desk.database.connection())?;
    let run = Run {
        is_complete: report.is_complete() && photos.is_complete(),
        reached: report.reached,
    };
    let moved =
        report.recorded + report.held + report.refused + report.rows + report.clamps + photos.sent > 0;
    if moved || before.is_none_or(|before| before.reached != run.reached) {
        desk.say(&value, || {
            came_to(&report, unsent, yards, clamps) + &of_photos(&photos)
        });
    }
    Ok(run)
}

/// The photos that entries cite, after the entries.
fn send_photos(desk: &mut Desk<'_>, quiet: bool) -> Done<PhotoReport> {
    let secret = desk.secret()?;
    let identity = desk.identity()?;
    let mut http = crate::transport::Http::new(
        &identity.server.clone(),
        Some(identity),
        &secret,
        desk.host.clock,
        desk.host.random,
        desk.ahead()?,
    );
    let mut shown = false;
    let report = photos::send(
        &mut desk.database,
        &desk.dir,
        &mut http,
        desk.host.clock,
        &mut |done, of| {
            if !quiet {
                shown = true;
                eprint!("\r\u{1b}[Kphoto: {} of {} KiB", done >> 10, of >> 10);
            }
        },
    );
    if shown {
        eprintln!();
    }
    report
}

/// Photos in words.
fn of_photos(photos: &PhotoReport) -> String {
    let mut text = String::new();
    if photos.sent > 0 {
        text += &format!("  {} sent.\n", count(photos.sent, "photo", "photos"));
    }
    if photos.waiting > 0 {
        text += &format!(
            "  {} not sent yet, and kept here{}\n",
            count(photos.waiting, "photo", "photos"),
            photos
                .trouble
                .as_ref()
                .map_or_else(|| ".".to_owned(), |trouble| format!(": {trouble}"))
        );
    }
    for refused in &photos.refused {
        text += &format!("  ! a photo was not taken: {refused}\n");
    }
    text
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
    let photos = photos::waiting(connection)?;
    desk.say(
        &json!({"unsent": unsent, "photos_waiting": photos, "items": items}),
        || {
            let mut text = match unsent {
                0 => "Nothing is unsent.\n".to_owned(),
                1 => "1 entry is not sent yet.\n".to_owned(),
                more => format!("{more} entries are not sent yet.\n"),
            };
            for (kept, item) in kept.iter().zip(&items) {
                text += &line(connection, kept, item);
            }
            if photos > 0 {
                text += &format!("  {} to be sent.\n", count(photos, "photo", "photos"));
            }
            text
        },
    );
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
