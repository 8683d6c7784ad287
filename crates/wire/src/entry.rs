//! Entries over HTTP: what is sent to an entry endpoint, and what it answers.
//!
//! A request is the body of that kind of entry with the entry's own id and time beside its fields. The bodies are the
//! domain's; this module only takes the envelope apart and puts the schema together.

use clampward_domain::entry::{
    Amended, Body, Classified, Inspected, Issued, ProofTested, Received, Registered, Repaired, Retired,
    ReturnedToService, TaggedOut, Transferred, Used,
};
use clampward_domain::ids::{ClampId, EntryId};
use clampward_domain::judge::Outcome;
use clampward_domain::standing::Standing;
use jiff::Timestamp;
use serde::de::value::{MapAccessDeserializer, StrDeserializer};
use serde::de::{DeserializeOwned, DeserializeSeed, Error, MapAccess, Visitor};
use serde::{Deserialize, Deserializer, Serialize};
use std::borrow::Cow;
use std::fmt;
use std::marker::PhantomData;
use utoipa::openapi::RefOr;
use utoipa::openapi::schema::{KnownFormat, ObjectBuilder, Schema, SchemaFormat, Type};
use utoipa::{PartialSchema, ToSchema};

/// A request to record one entry: `entry_id` and `performed_at` beside the fields of the body.
#[derive(Clone, Debug, PartialEq)]
pub struct EntryRequest<B> {
    /// The entry's id, chosen by the caller; its idempotency key for ever.
    pub entry_id: EntryId,
    /// When it happened.
    pub performed_at: Timestamp,
    /// The fact.
    pub body: B,
}

/// A request to register a clamp: the clamp's `id` beside the envelope of an entry.
#[derive(Clone, Debug, PartialEq)]
pub struct RegisterRequest {
    /// The clamp's id, chosen by the caller.
    pub id: ClampId,
    /// The entry.
    pub entry: EntryRequest<Registered>,
}

// The contract names each request by the kind of its entry.
/// Request of an entry `Inspected`.
pub type InspectedRequest = EntryRequest<Inspected>;
/// Request of an entry `TaggedOut`.
pub type TaggedOutRequest = EntryRequest<TaggedOut>;
/// Request of an entry `Repaired`.
pub type RepairedRequest = EntryRequest<Repaired>;
/// Request of an entry `ProofTested`.
pub type ProofTestedRequest = EntryRequest<ProofTested>;
/// Request of an entry `ReturnedToService`.
pub type ReturnedToServiceRequest = EntryRequest<ReturnedToService>;
/// Request of an entry `Transferred`.
pub type TransferredRequest = EntryRequest<Transferred>;
/// Request of an entry `Classified`.
pub type ClassifiedRequest = EntryRequest<Classified>;
/// Request of an entry `Issued`.
pub type IssuedRequest = EntryRequest<Issued>;
/// Request of an entry `Received`.
pub type ReceivedRequest = EntryRequest<Received>;
/// Request of an entry `Amended`.
pub type AmendedRequest = EntryRequest<Amended>;
/// Request of an entry `Retired`.
pub type RetiredRequest = EntryRequest<Retired>;
/// Request of an entry `Used`.
pub type UsedRequest = EntryRequest<Used>;

/// What stands beside the body's own fields.
#[derive(Default)]
struct Envelope {
    id: Option<ClampId>,
    entry_id: Option<EntryId>,
    performed_at: Option<Timestamp>,
}

/// A map without the envelope's fields.
struct Rest<'a, A> {
    map: A,
    envelope: &'a mut Envelope,
    with_id: bool,
}

impl<'de, A: MapAccess<'de>> MapAccess<'de> for Rest<'_, A> {
    type Error = A::Error;
    fn next_key_seed<K: DeserializeSeed<'de>>(&mut self, seed: K) -> Result<Option<K::Value>, A::Error> {
        while let Some(key) = self.map.next_key::<Cow<'de, str>>()? {
            match key.as_ref() {
                "id" if self.with_id => self.envelope.id = Some(self.map.next_value()?),
                "entry_id" => self.envelope.entry_id = Some(self.map.next_value()?),
                "performed_at" => self.envelope.performed_at = Some(self.map.next_value()?),
                other => return seed.deserialize(StrDeserializer::new(other)).map(Some),
            }
        }
        Ok(None)
    }
    fn next_value_seed<V: DeserializeSeed<'de>>(&mut self, seed: V) -> Result<V::Value, A::Error> {
        self.map.next_value_seed(seed)
    }
}

struct Split<B> {
    with_id: bool,
    body: PhantomData<B>,
}

impl<'de, B: Deserialize<'de>> Visitor<'de> for Split<B> {
    type Value = (Envelope, B);
    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a JSON object")
    }
    fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<Self::Value, A::Error> {
        let mut envelope = Envelope::default();
        let rest = Rest {
            map,
            envelope: &mut envelope,
            with_id: self.with_id,
        };
        let body = B::deserialize(MapAccessDeserializer::new(rest))?;
        Ok((envelope, body))
    }
}

fn enveloped<'de, B: Deserialize<'de>, D: Deserializer<'de>>(
    deserializer: D,
    with_id: bool,
) -> Result<(Envelope, EntryRequest<B>), D::Error> {
    let (envelope, body) = deserializer.deserialize_map(Split {
        with_id,
        body: PhantomData,
    })?;
    let entry_id = envelope
        .entry_id
        .ok_or_else(|| D::Error::missing_field("entry_id"))?;
    let performed_at = envelope
        .performed_at
        .ok_or_else(|| D::Error::missing_field("performed_at"))?;
    Ok((
        envelope,
        EntryRequest {
            entry_id,
            performed_at,
            body,
        },
    ))
}

impl<'de, B: DeserializeOwned> Deserialize<'de> for EntryRequest<B> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        enveloped(deserializer, false).map(|(_, entry)| entry)
    }
}

impl<'de> Deserialize<'de> for RegisterRequest {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let (envelope, entry) = enveloped(deserializer, true)?;
        let id = envelope.id.ok_or_else(|| D::Error::missing_field("id"))?;
        Ok(Self { id, entry })
    }
}

/// The body's schema with the envelope's fields before its own.
fn enveloped_schema(body: RefOr<Schema>, names: &[(&str, &str, KnownFormat)]) -> RefOr<Schema> {
    let RefOr::T(Schema::Object(object)) = body else {
        return body;
    };
    let mut builder = ObjectBuilder::new().description(object.description.clone());
    for (name, description, format) in names {
        let field = ObjectBuilder::new()
            .schema_type(Type::String)
            .format(Some(SchemaFormat::KnownFormat(format.clone())))
            .description(Some(*description));
        builder = builder.property(*name, field).required(*name);
    }
    for (name, schema) in &object.properties {
        builder = builder.property(name, schema.clone());
    }
    for name in &object.required {
        builder = builder.required(name);
    }
    builder
        .additional_properties(object.additional_properties.as_deref().cloned())
        .into()
}

const ENTRY_ID: (&str, &str, KnownFormat) = (
    "entry_id",
    "The entry's id (UUID, best version 7), chosen by the caller; its idempotency key for ever.",
    KnownFormat::Uuid,
);
const PERFORMED_AT: (&str, &str, KnownFormat) = ("performed_at", "When it happened.", KnownFormat::DateTime);

impl<B: ToSchema> PartialSchema for EntryRequest<B> {
    fn schema() -> RefOr<Schema> {
        enveloped_schema(B::schema(), &[ENTRY_ID, PERFORMED_AT])
    }
}
impl<B: ToSchema> ToSchema for EntryRequest<B> {
    fn name() -> Cow<'static, str> {
        Cow::Owned(format!("{}Request", B::name()))
    }
    fn schemas(schemas: &mut Vec<(String, RefOr<Schema>)>) {
        B::schemas(schemas);
    }
}

impl PartialSchema for RegisterRequest {
    fn schema() -> RefOr<Schema> {
        let id = (
            "id",
            "The clamp's id (UUID, best version 7), chosen by the caller.",
            KnownFormat::Uuid,
        );
        enveloped_schema(Registered::schema(), &[id, ENTRY_ID, PERFORMED_AT])
    }
}
impl ToSchema for RegisterRequest {
    fn name() -> Cow<'static, str> {
        Cow::Borrowed("RegisterRequest")
    }
    fn schemas(schemas: &mut Vec<(String, RefOr<Schema>)>) {
        Registered::schemas(schemas);
    }
}

impl<B: Into<Body>> EntryRequest<B> {
    /// The same with the body as one of all kinds.
    pub fn into_body(self) -> EntryRequest<Body> {
        EntryRequest {
            entry_id: self.entry_id,
            performed_at: self.performed_at,
            body: self.body.into(),
        }
    }
}

/// What became of an entry. A retry gets the first outcome, and apart from it the state now.
///
/// For a clamp outside the caller's yards only `entry_id` and `outcome: "recorded"` are told.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct EntryReply {
    /// The entry.
    pub entry_id: EntryId,
    /// `recorded`, or `already_recorded` for a retry.
    pub outcome: RecordedAs,
    /// Its number within the clamp's history.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seq: Option<u64>,
    /// Its position in the ledger.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<u64>,
    /// When it was recorded.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recorded_at: Option<Timestamp>,
    /// What it came to when it was recorded: verdict, crediting, lock-outs opened and closed, remarks.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub result: Option<Outcome>,
    /// The clamp's standing now.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub state_now: Option<Standing>,
}

/// How an entry was recorded.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum RecordedAs {
    /// Now.
    Recorded,
    /// Before, with the same content.
    AlreadyRecorded,
}

#[cfg(test)]
mod tests {
    use super::*;

    const ENTRY: &str = "019b76da-a800-7000-8000-000000000001";

    #[test]
    fn the_envelope_stands_beside_the_fields_of_the_body() {
        let text = format!(
            r#"{{"reason": "dropped", "entry_id": "{ENTRY}", "note": "from the rack", "performed_at": "2026-03-01T10:00:00Z"}}"#
        );
        let request: EntryRequest<TaggedOut> = crate::json::read(text.as_bytes()).unwrap();
        assert_eq!(request.entry_id.to_string(), ENTRY);
        assert_eq!(request.body.note.as_deref(), Some("from the rack"));
    }

    #[test]
    fn faults_keep_their_place() {
        let read = |text: String| {
            crate::json::read::<EntryRequest<Inspected>>(text.as_bytes())
                .unwrap_err()
                .into_errors()
                .remove(0)
        };
        let nested = read(format!(
            r#"{{"entry_id": "{ENTRY}", "performed_at": "2026-03-01T10:00:00Z", "kind": "frequent",
                "findings": [{{"criterion": "shackle_eye_worn", "outcome": "accept", "measured": {{"value": 3, "unit": "mm"}}}}]}}"#
        ));
        assert_eq!(nested.pointer, "/findings/0/measured/value");
        let unknown = read(format!(
            r#"{{"entry_id": "{ENTRY}", "performed_at": "2026-03-01T10:00:00Z", "kind": "frequent", "findings": [], "premisses": "x"}}"#
        ));
        assert_eq!(unknown.pointer, "/premisses");
        let missing = read(
            r#"{"performed_at": "2026-03-01T10:00:00Z", "kind": "frequent", "findings": []}"#.to_owned(),
        );
        assert!(missing.detail.contains("entry_id"), "{missing:?}");
    }

    #[test]
    fn a_registration_carries_the_clamps_id_too() {
        let text = format!(
            r#"{{"id": "{ENTRY}", "entry_id": "{ENTRY}", "performed_at": "2026-03-01T10:00:00Z", "asset_mark": "HMW-1",
                "serial_number": "A1", "model_id": "{ENTRY}", "yard_id": "{ENTRY}", "service_class": "normal"}}"#
        );
        let request: RegisterRequest = crate::json::read(text.as_bytes()).unwrap();
        assert_eq!(request.id.to_string(), ENTRY);
        assert_eq!(request.entry.body.asset_mark, "HMW-1");
    }

    #[test]
    fn the_schema_has_the_envelope_and_the_body() {
        let json = serde_json::to_value(EntryRequest::<TaggedOut>::schema()).unwrap();
        assert_eq!(
            json["required"],
            serde_json::json!(["entry_id", "performed_at", "reason"])
        );
        assert_eq!(json["additionalProperties"], false);
    }
}
