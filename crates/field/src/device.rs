//! Who this device is, and writing entries on it.

use crate::clock::{Clock, Contact, Moment, Present, present};
use crate::database::{Database, set, setting};
use crate::failure::{Done, Failure};
use crate::journal;
use crate::keys::OpenKey;
use clampward_domain::entry::{Body, ToBeSigned, check_body};
use clampward_domain::ids::{ClampId, DeviceId, EntryId, PersonId};
use clampward_wire::sync::device::Enrolled;
use clampward_wire::sync::push::{JudgedOffline, MAX_ENTRY_BYTES, PushEntry, ReadEntry, read_entry};
use rusqlite::Connection;
use serde::{Deserialize, Serialize};

/// Who this device is to the service.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Identity {
    /// The service's address.
    pub server: String,
    /// The device.
    pub device_id: DeviceId,
    /// Its name.
    pub name: String,
    /// What its assertions name as their audience.
    pub audience: String,
}

/// Takes up what an enrolment gave. A device that is enrolled stays who it is.
pub fn take_up(database: &mut Database, server: &str, enrolled: &Enrolled) -> Done<Identity> {
    let identity = Identity {
        server: server.trim_end_matches('/').to_owned(),
        device_id: enrolled.device_id,
        name: enrolled.name.clone(),
        audience: enrolled.audience.clone(),
    };
    database.write(|connection| {
        if let Some(known) = setting::<Identity>(connection, "identity")?
            && known.device_id != identity.device_id
        {
            return Err(Failure::refused(format!(
                "this folder belongs to device {} ({}): enrol another device in another folder",
                known.name, known.device_id
            )));
        }
        if setting::<journal::Numbering>(connection, "numbering")?.is_none() {
            journal::begin(connection, enrolled.device_number)?;
        }
        set(connection, "identity", &identity)
    })?;
    Ok(identity)
}

/// Who this device is.
pub fn identity(connection: &Connection) -> Done<Identity> {
    setting(connection, "identity")?.ok_or_else(|| {
        Failure::refused("this device is not enrolled: run `clampward-field enrol <server> <code>`")
    })
}

/// Remembers what the service told about the time. The latest word counts.
pub fn note_contact(connection: &Connection, contact: &Contact) -> Done {
    set(connection, "contact", contact)?;
    journal::note_moment(connection, &contact.asked)
}

/// The present, as far as the device knows it.
pub fn now(connection: &Connection, moment: &Moment) -> Done<Present> {
    let contact: Option<Contact> = setting(connection, "contact")?;
    let latest = journal::latest_moment(connection)?;
    Ok(present(moment, contact.as_ref(), latest.as_ref()))
}

/// How the author names the clamp.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Named {
    /// By its id: the mirror knows it.
    Clamp(ClampId),
    /// By its mark: the mirror does not.
    Mark(String),
}

/// A fact that somebody tells.
#[derive(Clone, Debug, PartialEq)]
pub struct Fact {
    /// The entry's id.
    pub id: EntryId,
    /// The clamp.
    pub clamp: Named,
    /// Who tells it.
    pub performed_by: PersonId,
    /// By which versions it was judged here.
    pub judged_by: Option<JudgedOffline>,
    /// What happened.
    pub body: Body,
}

/// An entry out of a fact, signed if there is a key. It bears no number yet: the journal gives it one.
pub fn entry(device: DeviceId, fact: Fact, key: Option<&OpenKey>, moment: &Moment) -> Done<PushEntry> {
    let faults = check_body(moment.wall, &fact.body);
    if let Some(fault) = faults.first() {
        return Err(Failure::refused(format!("{}: {}", fault.pointer, fault.detail)));
    }
    let body = fact.body.to_json()?;
    let (clamp_id, mark) = match fact.clamp {
        Named::Clamp(clamp) => (Some(clamp), None),
        Named::Mark(mark) => (None, Some(mark)),
    };
    let signature = key
        .filter(|key| key.person_id == fact.performed_by)
        .map(|key| {
            key.sign(&ToBeSigned {
                id: fact.id,
                device_id: device,
                clamp_id,
                mark: mark.as_deref(),
                kind: fact.body.kind(),
                performed_at: moment.wall,
                performed_by: fact.performed_by,
                body: &body,
            })
        })
        .transpose()?;
    let entry = PushEntry {
        id: fact.id,
        device_seq: 0,
        clamp_id,
        mark,
        kind: fact.body.kind(),
        performed_at: moment.wall,
        boot: moment.boot,
        monotonic_ms: moment.monotonic_ms,
        performed_by: fact.performed_by,
        signature,
        judged_by: fact.judged_by,
        body,
    };
    if serde_json::to_vec(&entry)?.len().saturating_add(32) > MAX_ENTRY_BYTES {
        return Err(Failure::refused(
            "the entry is larger than 64 KiB: write shorter notes, or in two entries",
        ));
    }
    // What the service could not read would wait there for a person: whoever writes it can still write it anew. A word that
    // restricts bars there all the same, and is never refused here.
    let as_sent = serde_json::to_vec(&PushEntry {
        device_seq: 1,
        ..entry.clone()
    })?;
    match read_entry(&as_sent) {
        ReadEntry::Unreadable(unreadable) if !journal::restricts(&entry) => {
            let said = unreadable.errors.first().map(|fault| &fault.detail);
            let detail = said.map_or("the service could not read it", String::as_str);
            Err(Failure::refused(detail))
        }
        ReadEntry::Entry(_) | ReadEntry::Unreadable(_) | ReadEntry::UnknownKind(_) => Ok(entry),
    }
}

/// Tells a fact: the entry is on the disk when this returns.
pub fn tell(
    database: &mut Database,
    fact: Fact,
    key: Option<&OpenKey>,
    clock: &dyn Clock,
) -> Done<PushEntry> {
    let device = identity(database.connection())?.device_id;
    let moment = clock.moment();
    let entry = entry(device, fact, key, &moment)?;
    journal::keep(database, entry, &moment)
}
