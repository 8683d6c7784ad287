//! Clamps as answers show them.

use clampward_domain::entry::JudgedBy;
use clampward_domain::ids::{ClampId, DeviceId, EntryId, ModelId, PersonId, YardId};
use clampward_domain::judge::Outcome;
use clampward_domain::lockout::Lockout;
use clampward_domain::quantity::{Length, Mass, Range};
use clampward_domain::schedule::Due;
use clampward_domain::standing::Reason;
use clampward_domain::words::{ClampKind, EntryKind, ServiceClass, Status};
use jiff::Timestamp;
use jiff::civil::Date;
use serde::Serialize;
use utoipa::ToSchema;

/// Whether a clamp may be used, and what the answer rests on. Never to be cached, replayed or revalidated.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct Fitness {
    /// The clamp.
    pub clamp_id: ClampId,
    /// Whether it may be used.
    pub fit: bool,
    /// Every reason why not; of more than 20, some of each kind.
    pub reasons: Vec<Reason>,
    /// How many reasons there are, where not all are named: `GET /v1/clamps/{id}` names all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reasons_in_all: Option<u64>,
    /// If it is fit: the first instant at which it no longer is, should nothing be recorded until then.
    #[schema(required = true)]
    pub fit_until: Option<Timestamp>,
    /// Highest position of the ledger that the answer knows.
    pub position: u64,
    /// The instant of that knowledge.
    pub known_at: Timestamp,
}

/// Fitness of a scanned mark.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct MarkFitness {
    /// The mark as given.
    pub mark: String,
    /// Whether the clamp that bears it may be used: only ever true if one live clamp of the company bears it.
    pub fit: bool,
    /// Every reason why not; of more than 20, some of each kind.
    pub reasons: Vec<Reason>,
    /// How many reasons there are, where not all are named: `GET /v1/clamps/{id}` names all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reasons_in_all: Option<u64>,
    /// If it is fit: until then, should nothing be recorded.
    #[schema(required = true)]
    pub fit_until: Option<Timestamp>,
    /// Highest position of the ledger that the answer knows.
    pub position: u64,
    /// The instant of that knowledge.
    pub known_at: Timestamp,
    /// The clamps in one's yards that bear it.
    pub bearers: Vec<MarkBearer>,
    /// Live clamps in one's yards whose mark only looks alike (0 and O, 1 and I, 5 and S, 8 and B).
    pub look_alikes: Vec<MarkBearer>,
}

/// A clamp that bears a mark.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct MarkBearer {
    /// The clamp.
    pub clamp_id: ClampId,
    /// The mark as it is on the clamp.
    pub asset_mark: String,
}

/// A clamp with its state.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct ClampView {
    /// Its id.
    pub id: ClampId,
    /// The company's mark.
    pub asset_mark: String,
    /// The maker's serial number; null where none can be read.
    #[schema(required = true)]
    pub serial_number: Option<String>,
    /// Its model.
    pub model_id: ModelId,
    /// Maker.
    #[schema(required = true)]
    pub maker: Option<String>,
    /// Model name.
    #[schema(required = true)]
    pub model: Option<String>,
    /// What kind of lift it is made for.
    #[schema(required = true)]
    pub kind: Option<ClampKind>,
    /// The yard that has it; null while its place is in doubt.
    #[schema(required = true)]
    pub yard_id: Option<YardId>,
    /// Every yard that may have it: two or more while its place is in doubt.
    pub yards: Vec<YardId>,
    /// Working load limit that counts: the lowest while it is in doubt.
    #[schema(required = true)]
    pub wll: Option<Mass>,
    /// Plate thickness range that counts: the narrowest while it is in doubt.
    #[schema(required = true)]
    pub jaw_opening: Option<Range<Length>>,
    /// Day of manufacture.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub manufactured_on: Option<Date>,
    /// Day on which it is put into service, as entered.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub put_into_service_on: Option<Date>,
    /// Service class that counts.
    #[schema(required = true)]
    pub service_class: Option<ServiceClass>,
    /// Its status at the instant asked about.
    pub status: Status,
    /// Its fitness at the instant asked about.
    pub fitness: Fitness,
    /// Open lock-outs, oldest first: barring ones, and those that will bar.
    pub open_lockouts: Vec<Lockout>,
    /// How many they are, where a list names 20 of them only: `GET /v1/clamps/{id}` names all.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub open_lockouts_in_all: Option<u64>,
    /// When inspections are due, with the rule that won.
    pub due: Due,
    /// Who has it from the tool crib.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub issued: Option<Issue>,
    /// Number of its entries.
    pub seq: u64,
    /// The instant asked about.
    pub as_of: Timestamp,
    /// Highest position of the ledger that the answer knows.
    pub position: u64,
    /// The instant of that knowledge.
    pub known_at: Timestamp,
}

/// Who has a clamp from the tool crib.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct Issue {
    /// Since when.
    pub since: Timestamp,
    /// The person.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub person_id: Option<PersonId>,
    /// Name or gang.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
}

/// An entry of a clamp's history.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct EntryView {
    /// Its id.
    pub entry_id: EntryId,
    /// Its number within the clamp's history.
    pub seq: u64,
    /// Its position in the ledger.
    pub position: u64,
    /// Its kind.
    pub kind: EntryKind,
    /// When it happened, as told.
    pub performed_at: Timestamp,
    /// When it counts as having happened.
    pub counted_at: Timestamp,
    /// When it was recorded.
    pub recorded_at: Timestamp,
    /// Who did it.
    pub performed_by: PersonId,
    /// Who handed it in.
    pub recorded_by: PersonId,
    /// The device it was recorded on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub device_id: Option<DeviceId>,
    /// Whether its author signed it.
    pub signed: bool,
    /// Whether a person placed it by hand.
    pub placed: bool,
    /// What it was judged by.
    pub judged_by: JudgedBy,
    /// The body: the same fields as the endpoint of its kind.
    #[schema(value_type = Object)]
    pub body: serde_json::Value,
    /// What it came to when it was recorded.
    pub result: Outcome,
    /// Its chained hash: SHA-256 over the previous one and its canonical bytes, in hex.
    #[schema(pattern = "^[0-9a-f]{64}$")]
    pub hash: String,
}
