//! Events that endpoints are told of (Standard Webhooks 1.0.0): what each says, and how it is signed. Which there are and what
//! follows from what is the domain's.

use clampward_domain::webhook::EventType;
use serde_json::{Map, Value, json};

/// Said at each of them.
const MANNERS: &str = "A signed POST over TLS to every endpoint that wants it. It names what changed and carries no state: read \
     that at `data.href`, and keep what you read, not what you counted, so that a repeat changes nothing. Answer 2xx within 15 \
     seconds. The same event may arrive more than once, always under the same `webhook-id` and with the same bytes. Of one clamp \
     events arrive in the order of its entries, but for what you ask to be told again; other clamps do not wait for one that you do not take.\n\n\
     Anything else than 2xx is tried again after 5 seconds, 30 seconds, 2, 10 and 30 minutes, then every hour for seven days; a \
     redirect is not followed. 429, 502, 503, 504, or no answer, has everything for the endpoint wait (`Retry-After` is heeded up \
     to an hour) and be tried every ten minutes at the latest. 410, or five days without a single 2xx, pauses the endpoint, and \
     administrators are told.";

/// What an event is about.
#[derive(Clone, Copy, PartialEq, Eq)]
enum About {
    Clamp,
    Bulletin,
    Endpoint,
}

impl About {
    fn of(event: EventType) -> Self {
        match event {
            EventType::BulletinOpened | EventType::BulletinClosed => Self::Bulletin,
            EventType::WebhookTest => Self::Endpoint,
            EventType::ClampChanged
            | EventType::ClampTaggedOut
            | EventType::ClampReturnedToService
            | EventType::ClampFitnessEnded
            | EventType::ClampRetired
            | EventType::InspectionRecorded
            | EventType::InspectionOverdue => Self::Clamp,
        }
    }
    fn thing(self) -> &'static str {
        match self {
            Self::Clamp => "clamp",
            Self::Bulletin => "bulletin",
            Self::Endpoint => "endpoint",
        }
    }
    fn path(self) -> &'static str {
        match self {
            Self::Clamp => "/v1/clamps/",
            Self::Bulletin => "/v1/bulletins/",
            Self::Endpoint => "/v1/webhook-endpoints/",
        }
    }
}

/// A summary, and what else to know.
fn words(event: EventType) -> (&'static str, &'static str) {
    match event {
        EventType::ClampChanged => (
            "Something about a clamp changed",
            "Every entry, a change of reference data that made the clamp another, and each instant at which it becomes overdue, \
             unfit or barred by itself. Whoever keeps counts needs no other.",
        ),
        EventType::ClampTaggedOut => (
            "A lock-out bars a clamp",
            "Of an entry, or without one (`entry_id` is absent) when the day of a defect came.",
        ),
        EventType::ClampReturnedToService => (
            "Lock-outs of a clamp were released",
            "Another lock-out may still bar it.",
        ),
        EventType::ClampFitnessEnded => (
            "A clamp is not fit any more, because a day or an hour came",
            "Its inspection is overdue, it was idle too long, or the day of a defect came. Told ten seconds after it was so, or late if \
             the service was down. What an entry ends is told of that entry, also where it arrived late and ended fitness at an \
             earlier instant: `clamp.changed` is always among its events.",
        ),
        EventType::ClampRetired => ("A clamp was retired", ""),
        EventType::InspectionRecorded => (
            "An inspection was recorded",
            "Whatever it found, and whether or not it is credited.",
        ),
        EventType::InspectionOverdue => (
            "An inspection of a clamp has become overdue",
            "Of a clamp that nothing else keeps from use; of one that a lock-out bars it is not told.",
        ),
        EventType::BulletinOpened => (
            "A safety bulletin was opened",
            "The clamps that it holds are told one by one as `clamp.tagged_out`.",
        ),
        EventType::BulletinClosed => ("A safety bulletin was closed", ""),
        EventType::WebhookTest => (
            "Somebody tries an endpoint out",
            "It means nothing. It is tried once, also while the endpoint is paused.",
        ),
    }
}

/// Adds the events to a document.
pub(super) fn add(document: &mut Value) {
    let Some(document) = document.as_object_mut() else {
        return;
    };
    let events: Map<String, Value> = EventType::ALL
        .iter()
        .map(|event| (event.code().to_owned(), json!({ "post": operation(*event) })))
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

fn operation(event: EventType) -> Value {
    let (summary, more) = words(event);
    let about = About::of(event);
    let id = "01977a53-0e4c-7d1a-8b63-5f2c9e7d4a10";
    let mut data = json!({"id": id, "href": format!("{}{id}", about.path())});
    let follows_an_entry = !matches!(
        event,
        EventType::ClampFitnessEnded | EventType::InspectionOverdue | EventType::WebhookTest
    );
    if let Some(data) = data.as_object_mut() {
        if follows_an_entry {
            data.insert(
                "entry_id".to_owned(),
                "01977a53-0e4c-7d1a-8b63-5f2c9e7d4a12".into(),
            );
            data.insert("position".to_owned(), 4711.into());
        }
        if about == About::Clamp {
            let fit_until = match event {
                EventType::InspectionRecorded => "2026-04-01T04:00:00Z".into(),
                _ => Value::Null,
            };
            data.insert("fit_until".to_owned(), fit_until);
        }
    }
    json!({
        "tags": ["Webhooks"],
        "summary": summary,
        "description": ([more, MANNERS].join("\n\n").trim_start()),
        "operationId": format!("on_{}", event.code().replace('.', "_")),
        "parameters": [
            header("webhook-id", "The event's id; the same in every attempt to deliver it.", "6f0c3a58-3a0e-5b0e-9d0a-2f6d1f0c7b11"),
            header("webhook-timestamp", "Seconds since 1970 of this attempt; refuse what is older than five minutes.", "1772445600"),
            header("webhook-signature", "Space-separated signatures over `id.timestamp.body`, of each secret that is valid: `v1,` HMAC-SHA256, `v1a,` Ed25519, in base64. One that is right is enough.",
                "v1,K5oZfzN95Z9UVu1EsfQmfVNQhnkZ2pj9o9NDN/H/pI4="),
        ],
        "requestBody": {
            "required": true,
            "description": format!("The event; `data` names the {}.", about.thing()),
            "content": {"application/json": {
                "schema": {"$ref": "#/components/schemas/WebhookEvent"},
                "examples": {"event": {"summary": summary, "value": {
                    "type": event.code(), "timestamp": "2026-03-02T10:00:00Z", "data": data
                }}},
            }},
        },
        "responses": {"204": {"description": "Taken. Any other 2xx is taken too; 410 ends the deliveries to this endpoint."}},
        "security": [],
    })
}

fn header(name: &str, description: &str, example: &str) -> Value {
    json!({"name": name, "in": "header", "required": true, "description": description, "schema": {"type": "string"}, "example": example})
}

fn event() -> Value {
    let names: Vec<&str> = EventType::ALL.iter().map(|event| event.code()).collect();
    json!({
        "type": "object",
        "description": "An event (Standard Webhooks 1.0.0).",
        "required": ["type", "timestamp", "data"],
        "properties": {
            "type": {"type": "string", "description": "What happened. More may come: answer 2xx to what you do not know.", "examples": names},
            "timestamp": {"type": "string", "format": "date-time", "description": "When it was recorded, or when it became so by itself."},
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
            "entry_id": {"type": "string", "format": "uuid", "description": "The row of the ledger that it follows from; absent where time alone brought it."},
            "position": {"type": "integer", "minimum": 1, "description": "That row's position, as `GET /v1/events` has it."},
            "fit_until": {"type": ["string", "null"], "format": "date-time", "description": "Of a clamp: until when it is fit if nothing more is recorded, as known when the event was noted; null if it is not fit. A hint for whoever plans, never an answer to whether it may be used."},
        },
    })
}
