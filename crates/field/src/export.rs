//! Unsent entries as a file: pushes as they would be sent, for whoever can carry them.
//!
//! The service goes by the signatures of the people who wrote the entries. Each push has its digest beside it: an entry
//! that a worn stick altered would count as signed by nobody, so whoever brings in a damaged file is told instead.

use crate::clock::Moment;
use crate::database::Database;
use crate::device;
use crate::failure::{Done, Failure};
use crate::journal::{self, KeptState};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use clampward_domain::canonical::{self, CanonicalError};
use clampward_wire::sync::push::{MAX_BYTES, MAX_ENTRIES, PushRequest};
use serde::Serialize;
use serde_json::{Value, json};

/// The form of the file.
const FORMAT: &str = "clampward-export-v1";

/// A file, and how many entries are in it.
pub struct Exported {
    /// The file.
    pub file: Value,
    /// Entries.
    pub entries: usize,
}

/// What is unsent, or offered again, as a file.
pub fn export(database: &Database, now: &Moment) -> Done<Exported> {
    let connection = database.connection();
    let device_id = device::identity(connection)?.device_id;
    let waiting: Vec<_> = journal::all(connection)?
        .into_iter()
        .filter(|kept| kept.again || kept.state == KeptState::Unsent)
        .collect();
    let entries = waiting.len();
    let mut pushes: Vec<(u32, usize, Vec<Value>)> = Vec::new();
    for kept in waiting {
        let bytes = serde_json::to_vec(&kept.raw)?.len();
        let fits = pushes.last().is_some_and(|(number, size, entries)| {
            *number == kept.device_number
                && entries.len() < MAX_ENTRIES
                && size.saturating_add(bytes) < MAX_BYTES.saturating_sub(8192)
        });
        match pushes.last_mut().filter(|_| fits) {
            Some((_, size, entries)) => {
                *size = size.saturating_add(bytes);
                entries.push(kept.raw);
            }
            None => pushes.push((kept.device_number, bytes, vec![kept.raw])),
        }
    }
    let queue_length = u64::try_from(entries).unwrap_or(u64::MAX);
    let pushes: Vec<Value> = pushes
        .into_iter()
        .map(|(device_number, _, entries)| {
            let push = PushRequest {
                device_id,
                device_number: Some(device_number),
                sent_at: now.wall,
                boot: now.boot,
                monotonic_ms: now.monotonic_ms,
                queue_length,
                entries,
            };
            Ok(json!({"push": push, "sha256": digest(&push)?}))
        })
        .collect::<Done<_>>()?;
    Ok(Exported {
        file: json!({"format": FORMAT, "pushes": pushes}),
        entries,
    })
}

/// SHA-256 of a push's canonical bytes, as base64url.
fn digest(push: &impl Serialize) -> Result<String, CanonicalError> {
    let bytes = canonical::to_bytes(push)?;
    Ok(URL_SAFE_NO_PAD.encode(canonical::sha256(&[&bytes])))
}

/// The parts of a file, one for each request that brings it in.
pub fn bodies(file: &[u8]) -> Done<Vec<Value>> {
    let refused = || Failure::refused("this is no file of `clampward-field export`");
    let damaged = || Failure::refused("this file is damaged: have it exported again");
    let file: Value = serde_json::from_slice(file).map_err(|_| refused())?;
    if file.get("format").and_then(Value::as_str) != Some(FORMAT) {
        return Err(refused());
    }
    file.get("pushes")
        .and_then(Value::as_array)
        .ok_or_else(refused)?
        .iter()
        .map(|part| {
            let push = part.get("push").ok_or_else(refused)?;
            // Files of earlier versions have no digest.
            if let Some(told) = part.get("sha256")
                && *told != digest(push).map_err(|_| damaged())?
            {
                return Err(damaged());
            }
            Ok(push.clone())
        })
        .collect()
}
