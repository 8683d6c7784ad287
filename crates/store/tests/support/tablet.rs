//! A tablet of the invented company that writes entries without the service and pushes them.

use super::world::{ADMINISTRATOR, World};
use clampward_domain::entry::{Body, JudgedBy};
use clampward_domain::ids::{ClampId, DeviceId, EntryId, PersonId};
use clampward_domain::judge::RemarkCode;
use clampward_domain::reference::YardScope;
use clampward_domain::signing::Unsigned;
use clampward_domain::words::EntryKind;
use clampward_store::sync::clocks::Monotonic;
use clampward_store::sync::held::HeldReason;
use clampward_store::sync::push::{Became, BecameWhat, Element, Named, Push, Pushed, Read, Told, Unread};
use clampward_store::{Recorded, Signing};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use std::sync::atomic::{AtomicU64, Ordering};
use uuid::Uuid;

/// A tablet.
pub struct Tablet {
    pub device: DeviceId,
    pub yards: YardScope,
    pub boot: Uuid,
    /// Milliseconds since it was started.
    pub up: AtomicU64,
    seq: AtomicU64,
}

/// An entry as these tests write it: `signed` stands for a true signature.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Line {
    pub id: EntryId,
    pub device_seq: u64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clamp_id: Option<ClampId>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mark: Option<String>,
    pub kind: String,
    pub performed_at: Timestamp,
    pub boot: Uuid,
    pub monotonic_ms: u64,
    pub performed_by: PersonId,
    pub signed: bool,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub judged_by: Option<JudgedBy>,
    pub body: serde_json::Value,
}

/// Reads what these tests write; the kind `panics` makes the reader itself fail.
pub fn read(raw: &[u8]) -> Read {
    let unread = |detail: String| {
        let loose: serde_json::Value = serde_json::from_slice(raw).unwrap_or_default();
        let text = |field: &str| loose[field].as_str().map(str::to_owned);
        Box::new(Unread {
            id: text("id").and_then(|id| id.parse().ok()),
            device_seq: loose["device_seq"].as_u64(),
            clamps: text("clamp_id")
                .and_then(|id| id.parse().ok())
                .into_iter()
                .collect(),
            marks: text("mark").into_iter().collect(),
            kind: text("kind"),
            detail,
        })
    };
    let line: Line = match serde_json::from_slice(raw) {
        Ok(line) => line,
        Err(error) => return Read::Unreadable(unread(error.to_string())),
    };
    if line.kind == "panics" {
        return Read::Failed(unread("the reader panicked".to_owned()));
    }
    let Some(kind) = EntryKind::from_code(&line.kind) else {
        return Read::UnknownKind(unread("no such kind".to_owned()));
    };
    let body = match Body::from_json(kind, line.body.clone()) {
        Ok(body) => body,
        Err(error) => return Read::Unreadable(unread(error.to_string())),
    };
    Read::Entry(Box::new(Told {
        id: line.id,
        device_seq: line.device_seq,
        named: match (line.clamp_id, line.mark) {
            (Some(clamp), _) => Named::Clamp(clamp),
            (None, mark) => Named::Mark(mark.unwrap_or_default()),
        },
        performed_at: line.performed_at,
        written: Monotonic {
            boot: line.boot,
            milliseconds: line.monotonic_ms,
        },
        performed_by: line.performed_by,
        judged_by: line.judged_by,
        body,
        signing: if line.signed {
            Signing::Key {
                id: Uuid::nil(),
                from: "2020-01-01T00:00:00Z".parse().unwrap(),
                until: "2030-01-01T00:00:00Z".parse().unwrap(),
            }
        } else {
            Signing::Unsigned(Unsigned::NoSignature)
        },
    }))
}

impl Tablet {
    /// Enrolled for some yards.
    pub async fn enrolled(world: &World, name: &str, yards: YardScope) -> Self {
        let device = DeviceId::new(world.uuid());
        world.device(device, name, yards.clone()).await;
        Self {
            device,
            yards,
            boot: world.uuid(),
            up: AtomicU64::new(3_600_000),
            seq: AtomicU64::new(0),
        }
    }
    /// Revoked by an administrator.
    pub async fn revoked(&self, world: &World) {
        let store = &world.bench.store;
        let account = PersonId::new(self.device.uuid());
        let mut body = store.account(account).await.unwrap().unwrap().body;
        body.enabled = false;
        store
            .change_account(world.uuid(), ADMINISTRATOR, account, 1, &body)
            .await
            .unwrap();
    }
    /// Time goes by on the tablet and for everybody.
    pub fn passes(&self, world: &World, milliseconds: u64) {
        self.up.fetch_add(milliseconds, Ordering::Relaxed);
        let by = jiff::SignedDuration::from_millis(i64::try_from(milliseconds).unwrap());
        world.bench.clock.advance(by);
    }
    /// Writes an entry now, signed by who did it.
    pub fn writes(&self, world: &World, by: PersonId, clamp: ClampId, body: impl Into<Body>) -> Line {
        let body = body.into();
        Line {
            id: EntryId::new(world.uuid()),
            device_seq: self.seq.fetch_add(1, Ordering::Relaxed) + 1,
            clamp_id: Some(clamp),
            mark: None,
            kind: body.kind().code().to_owned(),
            performed_at: world.bench.store.now(),
            boot: self.boot,
            monotonic_ms: self.up.load(Ordering::Relaxed),
            performed_by: by,
            signed: true,
            judged_by: None,
            body: body.to_json().unwrap(),
        }
    }
    /// What it would send.
    pub fn push(&self, raw: &[Vec<u8>]) -> Push {
        Push {
            device: self.device,
            number: 1,
            by: PersonId::new(self.device.uuid()),
            yards: self.yards.clone(),
            sent: Some(Monotonic {
                boot: self.boot,
                milliseconds: self.up.load(Ordering::Relaxed),
            }),
            queue_length: u64::try_from(raw.len()).unwrap(),
            elements: raw
                .iter()
                .zip(0..)
                .map(|(raw, index)| Element {
                    index,
                    raw: raw.clone(),
                    read: read(raw),
                })
                .collect(),
        }
    }
    /// Pushes raw elements.
    pub async fn sends(&self, world: &World, raw: &[Vec<u8>]) -> Pushed {
        world.bench.store.push(&self.push(raw), &read).await.unwrap()
    }
    /// Pushes entries.
    pub async fn pushes(&self, world: &World, lines: &[Line]) -> Pushed {
        self.sends(world, &lines.iter().map(raw).collect::<Vec<_>>())
            .await
    }
}

/// A line as it travels.
pub fn raw(line: &Line) -> Vec<u8> {
    serde_json::to_vec(line).unwrap()
}

/// What was recorded of an element.
pub fn recorded(became: &Became) -> &Recorded {
    match &became.outcome {
        BecameWhat::Recorded(recorded) => recorded,
        other => panic!("{:?} is not recorded: {other:?}", became.id),
    }
}

/// Why an element is held, and under which id.
pub fn held(became: &Became) -> (HeldReason, EntryId) {
    match &became.outcome {
        BecameWhat::Held { held_id, reason, .. } => (*reason, *held_id),
        other => panic!("{:?} is not held: {other:?}", became.id),
    }
}

/// The remarks that were recorded with an entry.
pub fn remarks(became: &Became) -> Vec<RemarkCode> {
    let outcome = recorded(became).outcome.as_ref().unwrap();
    outcome.remarks.iter().map(|remark| remark.code).collect()
}
