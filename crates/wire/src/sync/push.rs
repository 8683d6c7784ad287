//! Pushing entries, and what became of each.

mod read;

pub use read::{Parts, ReadEntry, Unreadable, made_out, parts, read_entry};

use crate::problem::Problem;
use clampward_domain::entry::{JudgedBy, Signature};
use clampward_domain::ids::{ClampId, DeviceId, EntryId, ModelId, PersonId, YardId};
use clampward_domain::judge::{Outcome, Remark};
use clampward_domain::standing::Standing;
use clampward_domain::words::{EntryKind, RuleSetName};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use uuid::Uuid;

/// Most entries of one push.
pub const MAX_ENTRIES: usize = 500;
/// Most bytes of one push after decompression.
pub const MAX_BYTES: usize = 4 * 1024 * 1024;
/// Most bytes of one entry.
pub const MAX_ENTRY_BYTES: usize = 64 * 1024;

/// A batch of entries of one device.
///
/// Entries may come in any order and any number of times: an entry's id is its idempotency key for ever.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PushRequest {
    /// The device, as it was enrolled.
    pub device_id: DeviceId,
    /// The device's number: 1 when it is enrolled; another one is handed out when a copy of the device is noticed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 1)]
    pub device_number: Option<u32>,
    /// When the batch was sent, by the device's clock.
    pub sent_at: Timestamp,
    /// Names the time since the device last started: another one after each start.
    pub boot: Uuid,
    /// Milliseconds since then, by a clock that nobody can set.
    pub monotonic_ms: u64,
    /// Entries that the device still has to send, these included: whoever waits for them sees it.
    pub queue_length: u64,
    /// At most 500, each a `PushEntry` of at most 64 KiB. One that cannot be read is answered by its index.
    #[schema(value_type = Vec<PushEntry>, max_items = 500)]
    pub entries: Vec<Value>,
}

/// One entry as a device wrote it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PushEntry {
    /// The entry's id (UUID, best version 7), chosen by the device; its idempotency key for ever.
    pub id: EntryId,
    /// Counts the device's entries from 1, without a hole: for noticing losses, never for order.
    #[schema(minimum = 1)]
    pub device_seq: u64,
    /// The clamp. Either this or `mark`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clamp_id: Option<ClampId>,
    /// The mark on the clamp, where the device does not know the clamp. Either this or `clamp_id`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mark: Option<String>,
    /// What happened. A kind that the service does not know yet is kept until it does.
    pub kind: EntryKind,
    /// When it happened, by the device's clock.
    pub performed_at: Timestamp,
    /// The `boot` in which it was written.
    pub boot: Uuid,
    /// Milliseconds of that boot at which it was written.
    pub monotonic_ms: u64,
    /// Who did it.
    pub performed_by: PersonId,
    /// That person's signature. Without it the entry may restrict, but is never credited and releases nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub signature: Option<Signature>,
    /// The versions by which the device judged: one of its yards with that yard's rules, and the clamp's model. What was
    /// judged by a yard in which the clamp had not been by then, or by another model, restricts and counts for nothing
    /// else. Left out, the registered model counts and a yard of the device's: the registered one, or the only one in
    /// which its author may write so.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub judged_by: Option<JudgedOffline>,
    /// The fields of the endpoint of that kind, without `entry_id` and `performed_at`.
    #[schema(value_type = Object)]
    pub body: Value,
}

/// By which versions a device judged.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct JudgedOffline {
    /// The yard.
    pub yard: YardId,
    /// That yard's version.
    pub yard_version: u32,
    /// The rule set.
    pub rule_set: RuleSetName,
    /// That rule set's version.
    pub rule_set_version: u32,
    /// The model.
    pub model: ModelId,
    /// That model's version.
    pub model_version: u32,
}

impl From<JudgedOffline> for JudgedBy {
    fn from(told: JudgedOffline) -> Self {
        Self {
            yard_id: told.yard,
            yard_version: told.yard_version,
            rule_set: told.rule_set,
            rule_set_version: told.rule_set_version,
            model_id: told.model,
            model_version: told.model_version,
        }
    }
}

impl From<JudgedBy> for JudgedOffline {
    fn from(judged: JudgedBy) -> Self {
        Self {
            yard: judged.yard_id,
            yard_version: judged.yard_version,
            rule_set: judged.rule_set,
            rule_set_version: judged.rule_set_version,
            model: judged.model_id,
            model_version: judged.model_version,
        }
    }
}

/// What became of a push: one result for each entry, in their order.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct PushReply {
    /// One for each entry, in order.
    pub results: Vec<PushResult>,
    /// What was recorded up to here outlives the loss of the machine. Entries are kept on the device until then.
    pub stable_position: u64,
    /// Highest `device_seq` that the service has of this device number; lower than what the device was told before
    /// means that the service lost entries, and the device offers them again.
    pub received_to: u64,
    /// Ranges of `device_seq` below it that never arrived, both ends included; at most 100.
    #[schema(value_type = Vec<Vec<u64>>)]
    pub missing: Vec<(u64, u64)>,
    /// The service's clock.
    pub server_time: Timestamp,
    /// A new number for this device, because another one uses the old: it counts its further entries from 1 under it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub device_number: Option<u32>,
    /// Seconds to wait before the next push, when the service is busy.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wait_seconds: Option<u32>,
}

/// What became of one entry.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct PushResult {
    /// Its place in the batch, from 0.
    pub index: u32,
    /// Its id, if it could be read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub id: Option<EntryId>,
    /// What became of it.
    pub outcome: PushOutcome,
    /// Why it is held.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub held: Option<HeldReason>,
    /// Its number within the clamp's history; left out for a clamp outside the device's yards.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seq: Option<u64>,
    /// Its position in the ledger.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<u64>,
    /// When it was recorded.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recorded_at: Option<Timestamp>,
    /// What to know about this push of it.
    #[serde(default)]
    pub remarks: Vec<Remark>,
    /// What it came to when it was recorded; the same for each retry.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub result: Option<Outcome>,
    /// The clamp's standing now, once for each clamp: with the last result that is about it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub state_now: Option<Standing>,
    /// What is wrong with it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub problem: Option<Problem>,
}

/// What became of an entry that was pushed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum PushOutcome {
    /// It is in the ledger.
    Recorded,
    /// It was there already; the first result again.
    AlreadyRecorded,
    /// Kept as it came until a person places it, or its cause goes away.
    Held,
    /// Its id was used before for other content. Both are kept.
    Refused,
    /// The service could not do it now: send it again.
    Retry,
    /// A person dismissed it. It is kept, and nothing comes of it any more. Receipts alone say so: a push that tells of it
    /// again is answered `held`, as the first time.
    Dismissed,
}

/// Why an entry is held.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum HeldReason {
    /// The service does not know this kind of entry yet.
    UnknownKind,
    /// It cannot be read.
    Unreadable,
    /// No clamp of the device's yards has this id or mark.
    UnknownClamp,
    /// Several clamps bear the mark.
    AmbiguousMark,
    /// It names a yard, a model or a version that the service does not know.
    UnknownReference,
    /// It was written after the device was revoked.
    DeviceRevoked,
    /// The service failed on it several times.
    Internal,
    /// While it was held its id was used for other content: it is not recorded under it any more.
    IdReused,
}
