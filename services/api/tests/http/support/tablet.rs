//! A tablet that writes entries without the service and pushes them over HTTP.

use super::{Device, PersonsKey, Reply};
use crate::trade::fleet::{Fleet, Person};
use clampward_domain::entry::{Body, ToBeSigned};
use clampward_domain::words::EntryKind;
use jiff::SignedDuration;
use serde_json::{Value, json};
use std::cell::Cell;

/// The boot that these tablets are in.
const BOOT: &str = "0195f000-0000-7000-8000-00000000b001";

/// A push of a device that has been on for an hour.
pub fn batch(device: &str, entries: &[Value]) -> Value {
    json!({
        "device_id": device, "sent_at": "2025-03-14T09:00:00Z", "boot": BOOT, "monotonic_ms": 3_600_000,
        "queue_length": entries.len(), "entries": entries,
    })
}

/// A device in somebody's hands.
pub struct Tablet<'a> {
    fleet: &'a Fleet,
    pub device: Device,
    token: String,
    seq: Cell<u64>,
    started: jiff::Timestamp,
}

impl Fleet {
    /// A tablet of some yards.
    pub async fn tablet(&self, yards: &[&str]) -> Tablet<'_> {
        let by = self.token(&self.administrator);
        let device = self.app.device(&by, yards).await;
        Tablet {
            token: self.app.device_token(&device).await,
            fleet: self,
            device,
            seq: Cell::new(0),
            started: self
                .now()
                .checked_sub(SignedDuration::from_hours(1))
                .expect("an instant"),
        }
    }
    /// An entry of a device that names a mark which nobody bears: its id among the held entries.
    pub async fn held(&self, device: &Device) -> String {
        let entry = json!({
            "id": self.new_id(), "device_seq": 1, "mark": "NOBODYS-7", "kind": "received", "performed_at": self.now().to_string(),
            "boot": BOOT, "monotonic_ms": 3_600_000, "performed_by": self.keeper.id, "body": {},
        });
        let token = self.app.device_token(device).await;
        let pushed = self
            .app
            .post(
                &token,
                "/v1/sync/entries",
                &batch(&device.id, std::slice::from_ref(&entry)),
            )
            .await
            .succeeded(200);
        assert_eq!(pushed.text("/results/0/outcome"), "held", "{}", pushed.body);
        let path = format!("/v1/held-entries?device={}&limit=200", device.id);
        let found = self.get(&self.safety, &path).await.succeeded(200);
        let items = found.body["items"].as_array().cloned().unwrap_or_default();
        let ours = items.iter().find(|item| item["entry_id"] == entry["id"]);
        ours.expect("held")["id"].as_str().expect("an id").to_owned()
    }
}

impl Tablet<'_> {
    /// Milliseconds since it was started.
    pub fn up(&self) -> i64 {
        i64::try_from(self.fleet.now().duration_since(self.started).as_millis()).expect("a number")
    }
    /// A key by which somebody signs on it.
    pub async fn key_of(&self, person: &Person) -> PersonsKey {
        let token = self.fleet.token(person);
        self.fleet.app.signing_key(&self.device, &token, &person.id).await
    }
    /// An entry that is written now and that nobody signed.
    pub fn writes(&self, by: &Person, clamp: &str, kind: &str, body: Value) -> Value {
        self.seq.set(self.seq.get() + 1);
        json!({
            "id": self.fleet.new_id(), "device_seq": self.seq.get(), "clamp_id": clamp, "kind": kind,
            "performed_at": self.fleet.now().to_string(), "boot": BOOT, "monotonic_ms": self.up(), "performed_by": by.id,
            "body": body,
        })
    }
    /// The same with the signature of whoever has this key.
    pub fn signs(&self, key: &PersonsKey, mut entry: Value) -> Value {
        let kind = EntryKind::from_code(entry["kind"].as_str().expect("a kind")).expect("a kind");
        let body = Body::from_json(kind, entry["body"].clone()).expect("a body");
        let body = body.to_json().expect("JSON");
        let id = |field: &str| entry[field].as_str().expect("an id").to_owned();
        let signature = key.sign(&ToBeSigned {
            id: id("id").parse().expect("an id"),
            device_id: self.device.device_id(),
            clamp_id: entry["clamp_id"]
                .as_str()
                .map(|clamp| clamp.parse().expect("an id")),
            mark: entry["mark"].as_str(),
            kind,
            performed_at: id("performed_at").parse().expect("an instant"),
            performed_by: id("performed_by").parse().expect("an id"),
            body: &body,
        });
        entry["signature"] = serde_json::to_value(signature).expect("JSON");
        entry
    }
    /// The text of a push of elements as they are.
    pub fn text(&self, elements: &[String]) -> String {
        let mut envelope = batch(&self.device.id, &[]);
        envelope["monotonic_ms"] = json!(self.up());
        envelope["sent_at"] = json!(self.fleet.now().to_string());
        envelope["queue_length"] = json!(elements.len());
        let entries = format!("\"entries\":[{}]", elements.join(","));
        envelope.to_string().replace("\"entries\":[]", &entries)
    }
    /// Sends elements as they are.
    pub async fn sends(&self, elements: &[String]) -> Reply {
        self.sends_bytes(self.text(elements).into_bytes(), None).await
    }
    /// Sends bytes, compressed as the coding says.
    pub async fn sends_bytes(&self, bytes: Vec<u8>, coding: Option<&str>) -> Reply {
        let mut call = self
            .fleet
            .app
            .call("POST", "/v1/sync/entries")
            .token(&self.token)
            .header("Content-Type", "application/json")
            .raw(bytes);
        if let Some(coding) = coding {
            call = call.header("Content-Encoding", coding);
        }
        call.send().await
    }
    /// Pushes entries.
    pub async fn pushes(&self, entries: &[Value]) -> Reply {
        let elements: Vec<String> = entries.iter().map(Value::to_string).collect();
        self.sends(&elements).await.succeeded(200)
    }
    /// The device's access token.
    pub fn token(&self) -> &str {
        &self.token
    }
    /// Reads as the device.
    pub async fn reads(&self, path: &str) -> Reply {
        self.fleet.app.get(&self.token, path).await
    }
}
