//! Events that will be delivered to endpoints that a company registers (Standard Webhooks 1.0.0).
//!
//! Reserved: nothing delivers them yet, and the document says so at each of them. Their names and form are fixed here, so
//! that receivers can be written; what happens to a clamp is decided elsewhere.

use serde_json::{Map, Value, json};

/// Events: name, what happened, what `data.id` names, the address to read, and an id for the example.
const EVENTS: &[(&str, &str, &str, &str)] = &[
    (
        "clamp.tagged_out",
        "A lock-out bars a clamp that was in service",
        "clamp",
        "/v1/clamps/",
    ),
    (
        "clamp.returned_to_service",
        "A clamp was returned to service",
        "clamp",
        "/v1/clamps/",
    ),
    ("clamp.retired", "A clamp was retired", "clamp", "/v1/clamps/"),
    (
        "inspection.recorded",
        "An inspection was recorded",
        "clamp",
        "/v1/clamps/",
    ),
    (
        "inspection.overdue",
        "An inspection of a clamp has become overdue",
        "clamp",
        "/v1/clamps/",
    ),
    (
        "bulletin.opened",
        "A safety bulletin was opened",
        "bulletin",
        "/v1/bulletins/",
    ),
];

/// Said at each of them.
const RESERVED: &str = "**Reserved: not delivered yet.** Once endpoints can be registered, the event is sent there as a signed \
     POST. It names what changed and carries no state: read it at `data.href`. Answer 2xx within 15 seconds; an event may \
     arrive more than once (same `webhook-id`) and out of order.";

/// Adds the events to a document.
pub(super) fn add(document: &mut Value) {
    let Some(document) = document.as_object_mut() else {
        return;
    };
    let events: Map<String, Value> = EVENTS
        .iter()
        .map(|(name, summary, thing, path)| {
            (
                (*name).to_owned(),
                json!({ "post": operation(name, summary, thing, path) }),
            )
        })
        .collect();
    document.insert("webhooks".to_owned(), Value::Object(events));
    let schemas = document
        .get_mut("components")
        .and_then(|components| components.get_mut("schemas"))
        .and_then(Value::as_object_mut);
    if let Some(schemas) = schemas {
        schemas.insert("WebhookEvent".to_owned(), event());
        schemas.insert("WebhookData".to_owned(), data());
    }
}

fn operation(name: &str, summary: &str, thing: &str, path: &str) -> Value {
    let id = "01977a53-0e4c-7d1a-8b63-5f2c9e7d4a10";
    json!({
        "tags": ["Operations"],
        "summary": summary,
        "description": RESERVED,
        "operationId": format!("on_{}", name.replace('.', "_")),
        "parameters": [
            header("webhook-id", "The event's id; the same in every attempt to deliver it.", "msg_01977a53-0e4c-7d1a-8b63-5f2c9e7d4a11"),
            header("webhook-timestamp", "Seconds since 1970 of this attempt; refuse what is older than five minutes.", "1772445600"),
            header("webhook-signature", "Space-separated signatures over `id.timestamp.body`: `v1,` HMAC-SHA256, `v1a,` Ed25519, in base64.",
                "v1,K5oZfzN95Z9UVu1EsfQmfVNQhnkZ2pj9o9NDN/H/pI4="),
        ],
        "requestBody": {
            "required": true,
            "description": format!("The event; `data` names the {thing}."),
            "content": {"application/json": {
                "schema": {"$ref": "#/components/schemas/WebhookEvent"},
                "examples": {"event": {"summary": summary, "value": {
                    "type": name, "timestamp": "2026-03-02T10:00:00Z", "data": {"id": id, "href": format!("{path}{id}")}
                }}},
            }},
        },
        "responses": {"204": {"description": "Taken. Any other 2xx is taken too; 410 ends the deliveries to this endpoint."}},
        "security": [],
        "x-status": "reserved",
    })
}

fn header(name: &str, description: &str, example: &str) -> Value {
    json!({"name": name, "in": "header", "required": true, "description": description, "schema": {"type": "string"}, "example": example})
}

fn event() -> Value {
    let names: Vec<&str> = EVENTS.iter().map(|(name, ..)| *name).collect();
    json!({
        "type": "object",
        "description": "An event (Standard Webhooks 1.0.0).",
        "required": ["type", "timestamp", "data"],
        "properties": {
            "type": {"type": "string", "description": "What happened.", "examples": names},
            "timestamp": {"type": "string", "format": "date-time", "description": "When it happened."},
            "data": {"$ref": "#/components/schemas/WebhookData", "description": "What it happened to."},
        },
    })
}

fn data() -> Value {
    json!({
        "type": "object",
        "description": "What an event is about.",
        "required": ["id", "href"],
        "properties": {
            "id": {"type": "string", "format": "uuid", "description": "Its id."},
            "href": {"type": "string", "description": "The path where it is read."},
        },
    })
}
