//! A device that pushes what was written on it, and what becomes of what nobody could place.

use super::recorder::Recorder;
use crate::support::{Device, Keys};
use serde_json::{Value, json};
use sqlx::{Connection, PgConnection};

/// Stand for the held entries of a run, whose ids are derived from random ones.
const HELD: [&str; 3] = [
    "6f1f0a52-2c4e-5b0a-9a57-0d6f3c1b7e41",
    "b5a9c8d7-41f2-5e63-8c7d-92e4a0f6b318",
    "c7d2e1f4-58a3-5b17-9e60-1a2b3c4d5e6f",
];

/// Asks everything about pushes and held entries.
pub async fn run(to: &mut Recorder) {
    let lead = "lead-port-ellery";
    let me = to.look(lead, "/v1/me").await.text("/id");
    let found = to.look(lead, "/v1/clamps?limit=5").await;
    let (clamp, yard) = (
        found.text("/items/4/id"),
        to.look(lead, "/v1/yards?limit=1").await.text("/items/0/id"),
    );
    let new = json!({"name": "Tablet 5, berth 2", "yards": [yard]});
    let token = to.token(lead).await;
    let code = to
        .app
        .post(&token, "/v1/device-enrolments", &new)
        .await
        .succeeded(201)
        .text("/code");
    let keys = Keys::of(5);
    let enrolled = to.app.redeem(&code, &keys).await.succeeded(201);
    let device = Device {
        id: enrolled.text("/device_id"),
        keys,
    };
    let token = to.app.device_token(&device).await;
    to.knows("tablet", token);
    let boot = to.id();
    let mut seq = 0;
    let mut line = |to: &mut Recorder, named: Value, body: Value| {
        seq += 1;
        let mut line = json!({
            "id": to.id(), "device_seq": seq, "kind": "tagged_out", "performed_at": "2026-03-02T13:12:00Z", "boot": boot,
            "monotonic_ms": 720_000, "performed_by": me, "body": body,
        });
        for (name, value) in named.as_object().into_iter().flatten() {
            line[name] = value.clone();
        }
        line
    };
    let dropped = json!({"reason": "dropped", "note": "from the rack"});
    let lines = [
        line(to, json!({"clamp_id": clamp}), dropped.clone()),
        line(to, json!({"mark": "HMW-9071"}), dropped.clone()),
        line(to, json!({"mark": "HMW-9072"}), dropped),
        line(to, json!({"mark": "HMW-9073"}), json!({"reason": "tired"})),
    ];
    let push = |lines: &[Value]| {
        json!({
            "device_id": device.id, "sent_at": "2026-03-02T14:00:00Z", "boot": boot, "monotonic_ms": 3_600_000,
            "queue_length": 4, "entries": lines,
        })
    };
    let entries = "/v1/sync/entries";
    to.post("Recorded, and held", "tablet", entries, &push(&lines[..2]), 200)
        .await;
    to.post(
        "One that cannot be read",
        "tablet",
        entries,
        &push(&lines[2..]),
        200,
    )
    .await;
    let mut other = push(&[]);
    other["device_id"] = json!(me);
    to.post("Another device", "tablet", entries, &other, 404).await;
    let mut torn = push(&[]);
    torn["queue_length"] = json!(-1);
    to.post("Not a length", "tablet", entries, &torn, 422).await;
    let imports = "/v1/sync/imports";
    to.post("Not a length", lead, imports, &torn, 422).await;
    // Somebody else holds the device's lock: another push of it is under way.
    let url = to.app.database.owner_url.clone();
    let mut other_push = PgConnection::connect(&url).await.expect("the database");
    for (held, function) in [(true, "pg_advisory_lock"), (false, "pg_advisory_unlock")] {
        let statement = format!("select {function}(hashtextextended('{}', 40))", device.id);
        sqlx::query(sqlx::AssertSqlSafe(statement))
            .execute(&mut other_push)
            .await
            .expect("a lock");
        if held {
            to.post("Another is under way", "tablet", entries, &push(&lines[..1]), 409)
                .await;
            to.post("A push is under way", lead, imports, &push(&lines[..1]), 409)
                .await;
        }
    }
    to.get("From the first on", "tablet", "/v1/sync/receipts?from=1", 200)
        .await;
    to.post(
        "Brought in again",
        lead,
        "/v1/sync/imports",
        &push(&lines[..1]),
        200,
    )
    .await;
    to.post("Not a device", lead, "/v1/sync/imports", &other, 404)
        .await;

    let found = to
        .look(lead, &format!("/v1/held-entries?device={}&limit=3", device.id))
        .await;
    let mut items = found.body["items"].as_array().cloned().unwrap_or_default();
    items.sort_by_key(|item| item["mark"].to_string());
    let sorted: Vec<String> = items
        .iter()
        .map(|item| item["id"].as_str().unwrap_or_default().to_owned())
        .collect();
    for (id, stands) in sorted.iter().zip(HELD) {
        to.derived(id, stands);
    }
    let first = format!("/v1/held-entries/{}", sorted[0]);
    to.get("A held entry", lead, &first, 200).await;
    to.get(
        "Those that wait",
        lead,
        "/v1/held-entries?state=held&reason=unreadable&limit=1",
        200,
    )
    .await;
    let placements = format!("{first}/placements");
    let here = json!({"clamp_id": clamp});
    to.post("Placed", lead, &placements, &here, 201).await;
    to.post("Placed already", lead, &placements, &here, 409).await;
    let second = format!("/v1/held-entries/{}/dismissal", sorted[1]);
    to.post("No reason", lead, &second, &json!({"reason": " "}), 422)
        .await;
    let why = json!({"reason": "Written a second time by hand after the tablet fell"});
    to.post("Dismissed", lead, &second, &why, 200).await;
    to.post("Settled already", lead, &second, &why, 409).await;
    let third = format!("/v1/held-entries/{}/placements", sorted[2]);
    to.post("It cannot be read", lead, &third, &here, 422).await;
}
