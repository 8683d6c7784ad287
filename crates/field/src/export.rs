//! Unsent entries as a file: pushes as they would be sent, each signed by this device, for whoever can carry them.
//!
//! The service goes by the signatures of the people who wrote the entries; the device's own shows whose file it is.

use crate::clock::Moment;
use crate::database::Database;
use crate::device;
use crate::failure::{Done, Failure};
use crate::journal::{self, KeptState};
use crate::keys::DeviceSecret;
use clampward_domain::canonical;
use clampward_wire::sync::push::{MAX_BYTES, MAX_ENTRIES, PushRequest};
use serde_json::{Value, json};

/// Names what is signed, so that no other signature of the device's key can be taken for it.
const CONTEXT: &[u8] = b"clampward-export-v1\n";
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
pub fn export(database: &Database, secret: &DeviceSecret, now: &Moment) -> Done<Exported> {
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
    let signed: Vec<Value> = pushes
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
            let mut bytes = CONTEXT.to_vec();
            bytes.extend(canonical::to_bytes(&push)?);
            Ok(json!({"push": push, "signature": secret.sign(&bytes)?}))
        })
        .collect::<Done<_>>()?;
    Ok(Exported {
        file: json!({"format": FORMAT, "pushes": signed}),
        entries,
    })
}

/// The parts of a file, one for each request that brings it in.
pub fn bodies(file: &[u8]) -> Done<Vec<Value>> {
    let refused = || Failure::refused("this is no file of `clampward-field export`");
    let file: Value = serde_json::from_slice(file).map_err(|_| refused())?;
    if file.get("format").and_then(Value::as_str) != Some(FORMAT) {
        return Err(refused());
    }
    file.get("pushes")
        .and_then(Value::as_array)
        .ok_or_else(refused)?
        .iter()
        .map(|part| part.get("push").cloned().ok_or_else(refused))
        .collect()
}
