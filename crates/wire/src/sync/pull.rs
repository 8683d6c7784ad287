//! Pulling what was recorded: changes behind a cursor, snapshots, digests, receipts.

use super::push::{HeldReason, PushOutcome};
use crate::problem::Problem;
use clampward_domain::fold::ClampState;
use clampward_domain::ids::{ClampId, EntryId, ModelId, PersonId, YardId};
use clampward_domain::reference::{Model, Person, Versions, Yard};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::openapi::RefOr;
use utoipa::openapi::schema::{
    KnownFormat, Object, ObjectBuilder, OneOfBuilder, Schema, SchemaFormat, SchemaType, Type,
};
use utoipa::{PartialSchema, ToSchema};
use uuid::Uuid;

/// Which form of [`ClampState`] states are handed out in: a digest compares equal forms only.
pub const STATE_FORMAT: u32 = 2;

/// Most bytes of one photo.
pub const MAX_PHOTO_BYTES: u64 = 20 << 20;
/// Most bytes of one piece of a photo.
pub const MAX_PHOTO_PIECE_BYTES: u64 = 1 << 20;

/// What synchronisation allows and expects. Nothing in it depends on the clamps.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct SyncConfig {
    /// The service's clock.
    pub server_time: Timestamp,
    /// Most entries of one push.
    pub entries_per_push: u64,
    /// Most bytes of one push after decompression.
    pub push_bytes: u64,
    /// Most bytes of one entry.
    pub entry_bytes: u64,
    /// Most rows of one page of changes.
    pub rows_per_page: u64,
    /// Longest `wait` of a pull, in seconds.
    pub wait_seconds: u64,
    /// For how many days a cursor is good.
    pub cursor_days: u64,
    /// Most bytes of one photo.
    pub photo_bytes: u64,
    /// Most bytes of one piece of a photo.
    pub photo_piece_bytes: u64,
    /// The oldest field client that is still served.
    pub oldest_client: String,
    /// The form of clamp states that snapshots and pulls hand out.
    pub state_format: u32,
    /// The yards of the caller. One that is new to a device has no cursor yet: take its snapshot.
    pub yards: Vec<YardId>,
}

/// A page of changes for each cursor.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Changes {
    /// One for each cursor, in their order.
    pub yards: Vec<YardChanges>,
    /// The caller's yards now. One without a cursor is new: take its snapshot.
    pub granted: Vec<YardId>,
    /// The service's clock.
    pub server_time: Timestamp,
}

/// What happened in one yard since a cursor.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct YardChanges {
    /// The yard.
    pub yard_id: YardId,
    /// The cursor that was given.
    pub from: String,
    /// Rows of the ledger, by position.
    pub rows: Vec<FeedRow>,
    /// The clamps that these rows touch, as they are now: a device keeps whichever has the higher position.
    pub clamps: Vec<ClampLine>,
    /// The reference data that these rows touch, as they are now.
    pub reference: Vec<ReferenceLine>,
    /// Where to go on. An empty page gives the same cursor back.
    pub next_cursor: String,
    /// Whether more rows follow at once.
    pub more: bool,
    /// What is known is complete up to this position. With a problem, the cursor's own as far as it can be told, else 0.
    pub known_position: u64,
    /// The instant of that knowledge. Where nothing new is known (with a problem, or where the page had no room for this
    /// yard) the beginning of 1970: what was known before stays as old as it is.
    pub known_at: Timestamp,
    /// Why there is nothing: the yard is not the caller's any more (404), or its cursor is too old or of another history
    /// (410).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub problem: Option<Problem>,
}

/// A row of the ledger.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct FeedRow {
    /// Its position.
    pub position: u64,
    /// Its id; of an entry, the entry's.
    pub id: Uuid,
    /// What it is about: a clamp, a yard, a model, a person.
    pub subject: Uuid,
    /// Its number within the history of its subject.
    pub seq: u64,
    /// Its kind.
    pub kind: String,
    /// When it was recorded.
    pub recorded_at: Timestamp,
    /// The entry as it stands in the ledger; of rows about clamps only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Object>)]
    pub entry: Option<Value>,
}

/// A page of the whole ledger.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Events {
    /// The cursor that was given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<String>,
    /// Rows of the ledger, by position.
    pub rows: Vec<FeedRow>,
    /// Where to go on. An empty page gives the same cursor back.
    pub next_cursor: String,
    /// Whether more rows follow at once.
    pub more: bool,
    /// What is known is complete up to this position.
    pub known_position: u64,
    /// The instant of that knowledge.
    pub known_at: Timestamp,
}

/// A clamp as it is at a position. A device keeps whichever has the higher position, and of two with the same position
/// the one with the higher reference version.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ClampLine {
    /// The clamp.
    pub clamp_id: ClampId,
    /// Position of the last row about it.
    pub position: u64,
    /// Reference version by which its state was computed.
    pub reference_version: u64,
    /// Its state; nothing if it is not in this yard (any more), which holds whatever position you have of it: another yard
    /// may still have it. Then `position` is as far as you can be told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Object>)]
    pub state: Option<ClampState>,
}

/// Reference data as they are now.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "type", rename_all = "snake_case")]
pub enum ReferenceLine {
    /// A yard.
    Yard {
        /// Which.
        yard_id: YardId,
        /// Every version.
        versions: Versions<Yard>,
    },
    /// A model.
    Model {
        /// Which.
        model_id: ModelId,
        /// Every version.
        versions: Versions<Model>,
    },
    /// A person.
    Person {
        /// Who.
        person_id: PersonId,
        /// Name, roles over time, competences.
        person: Person,
    },
}

/// The schema of a line that says by `type` what it is about: an id, and what is known.
fn line_schema(title: &str, what: &str, word: &str, id: &str, known: (&str, &str)) -> Object {
    let word = ObjectBuilder::new()
        .schema_type(Type::String)
        .enum_values(Some([word]))
        .description(Some(format!("Always `{word}`.")));
    let uuid = ObjectBuilder::new()
        .schema_type(Type::String)
        .format(Some(SchemaFormat::KnownFormat(KnownFormat::Uuid)))
        .description(Some("Its id."));
    ObjectBuilder::new()
        .title(Some(title))
        .description(Some(what))
        .property("type", word)
        .property(id, uuid)
        .property(
            known.0,
            ObjectBuilder::new()
                .schema_type(SchemaType::AnyValue)
                .description(Some(known.1)),
        )
        .required("type")
        .required(id)
        .required(known.0)
        .build()
}

impl PartialSchema for ReferenceLine {
    fn schema() -> RefOr<Schema> {
        let versions = ("versions", "Every version, oldest first.");
        let person = ("person", "Name, roles over time, competences.");
        OneOfBuilder::new()
            .description(Some("Reference data as they are now."))
            .item(line_schema("YardLine", "A yard.", "yard", "yard_id", versions))
            .item(line_schema(
                "ModelLine",
                "A model.",
                "model",
                "model_id",
                versions,
            ))
            .item(line_schema(
                "PersonLine",
                "A person.",
                "person",
                "person_id",
                person,
            ))
            .into()
    }
}
impl ToSchema for ReferenceLine {}

/// First line of a snapshot.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct SnapshotHead {
    /// Where to go on pulling, unless a later line brings another cursor. A snapshot that was taken up again keeps the
    /// cursor that it was taken up with.
    pub cursor: String,
    /// Epoch of the ledger.
    pub epoch: u32,
    /// Version of the reference data.
    pub reference_version: u64,
    /// The instant of this knowledge.
    pub generated_at: Timestamp,
    /// Its position.
    pub position: u64,
    /// The form of clamp states.
    pub state_format: u32,
}

/// A line of a snapshot between its first and its last.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(untagged)]
pub enum SnapshotLine {
    /// Reference data.
    Reference(ReferenceLine),
    /// A clamp; by id.
    Clamp(Box<SnapshotClamp>),
}

/// A clamp in a snapshot.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct SnapshotClamp {
    /// Always `clamp`.
    #[serde(rename = "type")]
    pub line: ClampWord,
    /// The clamp.
    #[serde(flatten)]
    pub clamp: ClampLine,
    /// The cursor to keep from here on instead of the one before: it goes on from the same place, and says how far the
    /// states go that you were told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cursor: Option<String>,
}

/// The word by which a line says that it is about a clamp.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ClampWord {
    /// `clamp`.
    Clamp,
}

/// Last line of a snapshot: without it, the snapshot is not whole.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct SnapshotEnd {
    /// Always true.
    pub end: bool,
    /// Lines of this answer, the first and this one included.
    pub lines: u64,
}

/// Count and checksum of the clamps of a yard, to notice that a device has something else.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Digest {
    /// The yard.
    pub yard_id: YardId,
    /// At this position.
    pub position: u64,
    /// How many clamps.
    pub count: u64,
    /// Sum modulo 2^64 of the first eight bytes of SHA-256 over each clamp's state in canonical form, as 16 hex digits.
    pub checksum: String,
    /// The form of clamp states.
    pub state_format: u32,
}

/// What the service has of a device's entries.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Receipts {
    /// By `device_seq`.
    pub items: Vec<Receipt>,
    /// The first `device_seq` that follows; nothing on the last page.
    #[schema(required = true)]
    pub next: Option<u64>,
    /// Highest `device_seq` that the service has.
    pub received_to: u64,
    /// Ranges below it that never arrived, both ends included; at most 100.
    #[schema(value_type = Vec<Vec<u64>>)]
    pub missing: Vec<(u64, u64)>,
    /// What was recorded up to here outlives the loss of the machine.
    pub stable_position: u64,
}

/// One of them.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Receipt {
    /// The device's count.
    pub device_seq: u64,
    /// The entry; nothing if its id could not be read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub entry_id: Option<EntryId>,
    /// What became of it.
    pub outcome: PushOutcome,
    /// Why it is held.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub held: Option<HeldReason>,
    /// Its position in the ledger.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<u64>,
}
