//! Elements of a push as the store takes them: read one by one, with the signature that each bears looked at.
//!
//! Whatever reading one of them does, the others are read: what it fails on is said, and nothing is guessed.

use crate::logs;
use crate::reply::Failure;
use crate::sign_in::ed25519;
use actix_web::web;
use clampward_domain::entry::{Body, ToBeSigned};
use clampward_domain::ids::DeviceId;
use clampward_domain::signing::{SigningKey, Unsigned};
use clampward_store::sync::clocks::Monotonic;
use clampward_store::sync::push::{Element, Named, Read, Told, Unread};
use clampward_store::{Signing, Store};
use clampward_wire::json::shorten;
use clampward_wire::problem::FieldError;
use clampward_wire::sync::push::{PushEntry, ReadEntry, Unreadable, made_out, read_entry};
use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use uuid::Uuid;

/// Most characters that are kept of what is wrong with an element.
const MAX_DETAIL: usize = 2_000;

/// Reads elements, and looks at their signatures; answers beside each what its sender is told to be wrong with it. Hundreds of
/// them take their time: others are answered meanwhile.
pub async fn read_all(
    store: &Store,
    device: DeviceId,
    raw: &[&[u8]],
) -> Result<(Vec<Element>, Vec<Vec<FieldError>>), Failure> {
    let raw: Vec<Vec<u8>> = raw.iter().map(|raw| raw.to_vec()).collect();
    let reading = move || raw.into_iter().map(|raw| (guarded(&raw), raw)).collect();
    let read: Vec<(Guarded, Vec<u8>)> = beside(reading).await?;
    let ids: Vec<Uuid> = read
        .iter()
        .filter_map(|(read, _)| match read {
            Ok(ReadEntry::Entry(entry)) => entry.0.signature.as_ref().map(|signature| signature.key_id),
            Ok(ReadEntry::Unreadable(_) | ReadEntry::UnknownKind(_)) | Err(_) => None,
        })
        .collect();
    let keys = if ids.is_empty() {
        BTreeMap::new()
    } else {
        store.signing_keys(&ids).await?
    };
    let element = move |((read, raw), index): ((Guarded, Vec<u8>), u32)| {
        let looking = || taken(read, |entry, body| signing(device, entry, body, &keys));
        let looked = catch_unwind(AssertUnwindSafe(looking));
        let (read, errors) = looked.unwrap_or_else(|_| taken(Err(failed(&raw)), |_, _| unsigned()));
        (Element { index, raw, read }, errors)
    };
    beside(move || read.into_iter().zip(0..).map(element).unzip()).await
}

/// Work on a thread that may be busy with it.
async fn beside<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Result<T, Failure> {
    let ids = logs::current();
    let work = move || {
        let _here = ids.map(logs::enter);
        work()
    };
    web::block(work).await.map_err(|error| Failure::internal(&error))
}

/// Reads an element again that was held. Its signature was looked at when it arrived.
pub fn again(raw: &[u8]) -> Read {
    taken(guarded(raw), |_, _| unsigned()).0
}

/// An element as it was read, or what can be made out of one on which reading failed altogether.
type Guarded = Result<ReadEntry, Box<Unreadable>>;

fn guarded(raw: &[u8]) -> Guarded {
    catch_unwind(AssertUnwindSafe(|| read_entry(raw))).map_err(|_| failed(raw))
}

/// What can be made out of an element on which the service failed.
fn failed(raw: &[u8]) -> Box<Unreadable> {
    let detail = "the service failed on it; send it again";
    let errors = vec![FieldError::new("", "failed", detail)];
    let read = catch_unwind(AssertUnwindSafe(|| made_out(raw, errors)));
    Box::new(read.unwrap_or_default())
}

const fn unsigned() -> Signing {
    Signing::Unsigned(Unsigned::NoSignature)
}

fn taken(read: Guarded, signing: impl Fn(&PushEntry, &Body) -> Signing) -> (Read, Vec<FieldError>) {
    match read {
        Ok(ReadEntry::Entry(entry)) => {
            let (entry, body) = *entry;
            let signing = signing(&entry, &body);
            (Read::Entry(Box::new(told(entry, body, signing))), Vec::new())
        }
        Ok(ReadEntry::Unreadable(unread)) => {
            let (unread, errors) = unreadable(*unread);
            (Read::Unreadable(unread), errors)
        }
        Ok(ReadEntry::UnknownKind(unread)) => {
            let (unread, errors) = unreadable(*unread);
            (Read::UnknownKind(unread), errors)
        }
        Err(unread) => {
            let (unread, errors) = unreadable(*unread);
            (Read::Failed(unread), errors)
        }
    }
}

fn told(entry: PushEntry, body: Body, signing: Signing) -> Told {
    Told {
        id: entry.id,
        device_seq: entry.device_seq,
        named: match (entry.clamp_id, entry.mark) {
            (Some(clamp), _) => Named::Clamp(clamp),
            (None, mark) => Named::Mark(mark.unwrap_or_default()),
        },
        performed_at: entry.performed_at,
        written: Monotonic {
            boot: entry.boot,
            milliseconds: entry.monotonic_ms,
        },
        performed_by: entry.performed_by,
        judged_by: entry.judged_by.map(Into::into),
        body,
        signing,
    }
}

fn unreadable(unread: Unreadable) -> (Box<Unread>, Vec<FieldError>) {
    let details: Vec<String> = unread
        .errors
        .iter()
        .map(|error| format!("{}: {}", error.pointer, error.detail))
        .collect();
    let mut detail = details.join("; ");
    // It is kept for ever.
    shorten(&mut detail, MAX_DETAIL);
    let read = Unread {
        id: unread.id,
        device_seq: unread.device_seq,
        clamps: unread.clamps,
        marks: unread.marks,
        kind: unread.kind,
        detail,
    };
    (Box::new(read), unread.errors)
}

/// Whose word an entry is by its signature. Whether its key was live when the entry counts is judged with the entry.
fn signing(device: DeviceId, entry: &PushEntry, body: &Body, keys: &BTreeMap<Uuid, SigningKey>) -> Signing {
    let Some(signature) = &entry.signature else {
        return Signing::Unsigned(Unsigned::NoSignature);
    };
    let Some(key) = keys.get(&signature.key_id) else {
        return Signing::Unsigned(Unsigned::UnknownKey);
    };
    let signed = ToBeSigned {
        id: entry.id,
        device_id: device,
        clamp_id: entry.clamp_id,
        mark: entry.mark.as_deref(),
        kind: entry.kind,
        performed_at: entry.performed_at,
        performed_by: entry.performed_by,
        body: &body.alone(),
    };
    match ed25519::is_signed(&signed, Some(signature), Some(key), key.created_at) {
        Ok(()) => Signing::by(key),
        // Replaced or withdrawn in its first moment: it never signed anything.
        Err(why) => Signing::Unsigned(why),
    }
}
