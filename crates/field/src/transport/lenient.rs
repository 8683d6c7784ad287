//! Answers as a later service may give them.
//!
//! A word that this version does not know must not make a whole answer count as lost: what is recorded would be sent for
//! ever. What a device goes by is read strictly, part by part; everything else is kept as it came, for people to read.

use crate::core::{Became, Pushed};
use clampward_domain::ids::YardId;
use clampward_wire::sync::pull::{Changes, Receipt, Receipts};
use clampward_wire::sync::push::PushOutcome;
use jiff::Timestamp;
use serde::Deserialize;
use serde::de::DeserializeOwned;
use serde_json::Value;

/// A member, if it is there and can be read.
fn member<T: DeserializeOwned>(value: &Value, name: &str) -> Option<T> {
    T::deserialize(value.get(name)?).ok()
}

/// The same; an answer is none if the member is there and cannot be read.
fn optional<T: DeserializeOwned>(value: &Value, name: &str) -> Option<Option<T>> {
    match value.get(name) {
        None | Some(Value::Null) => Some(None),
        Some(member) => T::deserialize(member).ok().map(Some),
    }
}

fn became(raw: Value) -> Option<Became> {
    Some(Became {
        index: member(&raw, "index")?,
        id: optional(&raw, "id")?,
        outcome: member(&raw, "outcome"),
        position: optional(&raw, "position")?,
        raw,
    })
}

#[derive(Deserialize)]
struct PushedEnvelope {
    results: Vec<Value>,
    stable_position: u64,
    received_to: u64,
    missing: Vec<(u64, u64)>,
    server_time: Timestamp,
    #[serde(default)]
    device_number: Option<u32>,
    #[serde(default)]
    wait_seconds: Option<u32>,
}

/// The answer to a push. An entry of which nothing can be read has no result; one whose outcome is a new word has one
/// that settles nothing.
pub fn pushed(answer: Value) -> Option<Pushed> {
    let envelope = PushedEnvelope::deserialize(answer).ok()?;
    Some(Pushed {
        results: envelope.results.into_iter().filter_map(became).collect(),
        stable_position: envelope.stable_position,
        received_to: envelope.received_to,
        missing: envelope.missing,
        server_time: envelope.server_time,
        device_number: envelope.device_number,
        wait_seconds: envelope.wait_seconds,
    })
}

#[derive(Deserialize)]
struct ReceiptsEnvelope {
    items: Vec<Value>,
    next: Option<u64>,
    received_to: u64,
    missing: Vec<(u64, u64)>,
    stable_position: u64,
}

/// Receipts. One with a new word still says that the service has the entry, and nothing else: left out, it would look
/// like a loss.
pub fn receipts(answer: Value) -> Option<Receipts> {
    let envelope = ReceiptsEnvelope::deserialize(answer).ok()?;
    let receipt = |item: Value| {
        Some(Receipt {
            device_seq: member(&item, "device_seq")?,
            entry_id: optional(&item, "entry_id")?,
            outcome: member(&item, "outcome").unwrap_or(PushOutcome::Retry),
            held: member(&item, "held"),
            position: optional(&item, "position")?,
        })
    };
    Some(Receipts {
        items: envelope.items.into_iter().map(receipt).collect::<Option<_>>()?,
        next: envelope.next,
        received_to: envelope.received_to,
        missing: envelope.missing,
        stable_position: envelope.stable_position,
    })
}

#[derive(Deserialize)]
struct ChangesEnvelope {
    yards: Vec<Value>,
    granted: Vec<YardId>,
    server_time: Timestamp,
}

/// Changes. A yard whose page cannot be read hinders no other one.
pub fn changes(answer: Value) -> Option<Changes> {
    let envelope = ChangesEnvelope::deserialize(answer).ok()?;
    Some(Changes {
        yards: envelope
            .yards
            .into_iter()
            .filter_map(|yard| serde_json::from_value(yard).ok())
            .collect(),
        granted: envelope.granted,
        server_time: envelope.server_time,
    })
}
