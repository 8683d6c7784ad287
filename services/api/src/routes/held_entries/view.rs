//! Held entries on the wire.

use crate::reply::{Cells, Columns};
use crate::routes::sync::held;
use clampward_domain::ids::{ClampId, DeviceId, EntryId, PersonId};
use clampward_store::sync::held::{HeldEntry, HeldState};
use clampward_wire::sync::push::HeldReason;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// What became of a held entry.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum SettledAs {
    /// It waits for a person, or for its cause to go away.
    Held,
    /// A person placed it: it is recorded, restricts and counts for nothing else.
    Placed,
    /// A person dismissed it; it is kept all the same.
    Dismissed,
    /// Its cause went away and it was recorded by itself.
    Replayed,
}

impl From<HeldState> for SettledAs {
    fn from(state: HeldState) -> Self {
        match state {
            HeldState::Held => Self::Held,
            HeldState::Placed => Self::Placed,
            HeldState::Dismissed => Self::Dismissed,
            HeldState::Replayed => Self::Replayed,
        }
    }
}

impl From<SettledAs> for HeldState {
    fn from(state: SettledAs) -> Self {
        match state {
            SettledAs::Held => Self::Held,
            SettledAs::Placed => Self::Placed,
            SettledAs::Dismissed => Self::Dismissed,
            SettledAs::Replayed => Self::Replayed,
        }
    }
}

/// An entry that could not be placed.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct HeldEntryView {
    /// Its id here; the entry's own is `entry_id`.
    pub id: EntryId,
    /// What became of it.
    pub state: SettledAs,
    /// Why it is held.
    pub reason: HeldReason,
    /// In words.
    pub detail: String,
    /// The device that wrote it.
    pub device_id: DeviceId,
    /// When it arrived: its age counts from here.
    pub received_at: Timestamp,
    /// The entry's id; null if it cannot be read.
    #[schema(required = true)]
    pub entry_id: Option<EntryId>,
    /// Its kind in its own word; null if it cannot be read.
    #[schema(required = true)]
    pub kind: Option<String>,
    /// The clamp that it names; null if it names none.
    #[schema(required = true)]
    pub clamp_id: Option<ClampId>,
    /// The mark that it names; null if it names none.
    #[schema(required = true)]
    pub mark: Option<String>,
    /// Whether it may restrict: by its words, by what it comes to on a clamp, or because it cannot be read.
    pub restricts: bool,
    /// The clamps that it bars meanwhile, by a lock-out `held`: also those that became known after it arrived.
    #[schema(max_items = 100)]
    pub bars: Vec<ClampId>,
    /// Who did it, as it says; null if that cannot be read.
    #[schema(required = true)]
    pub performed_by: Option<PersonId>,
    /// When it happened, as it says; null if that cannot be read.
    #[schema(required = true)]
    pub performed_at: Option<Timestamp>,
    /// When it was settled; null while it waits.
    #[schema(required = true)]
    pub settled_at: Option<Timestamp>,
    /// By whom; null while it waits.
    #[schema(required = true)]
    pub settled_by: Option<PersonId>,
    /// The clamp that it was recorded of; null if it was not.
    #[schema(required = true)]
    pub settled_clamp: Option<ClampId>,
    /// Why it was dismissed; null if it was not.
    #[schema(required = true)]
    pub settled_reason: Option<String>,
}

impl From<HeldEntry> for HeldEntryView {
    fn from(entry: HeldEntry) -> Self {
        Self {
            id: entry.id,
            state: entry.state.into(),
            reason: held(entry.reason),
            detail: entry.detail,
            device_id: entry.device,
            received_at: entry.received_at,
            entry_id: entry.entry,
            kind: entry.kind,
            clamp_id: entry.clamp,
            mark: entry.mark,
            restricts: entry.restricts,
            bars: entry.bars,
            performed_by: entry.performed_by,
            performed_at: entry.performed_at,
            settled_at: entry.settled_at,
            settled_by: entry.settled_by,
            settled_clamp: entry.settled_clamp,
            settled_reason: entry.settled_reason,
        }
    }
}

/// An entry that could not be placed, with what the device sent.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct HeldEntryRaw {
    /// The entry.
    #[serde(flatten)]
    pub entry: HeldEntryView,
    /// As it came, at most its first 64 KiB; what is no text has a replacement character (U+FFFD) in its place.
    #[schema(max_length = 65536)]
    pub raw: String,
}

impl From<HeldEntry> for HeldEntryRaw {
    fn from(entry: HeldEntry) -> Self {
        let raw = String::from_utf8_lossy(&entry.raw).into_owned();
        Self {
            entry: entry.into(),
            raw,
        }
    }
}

/// The word of a value that is a word in JSON too.
fn word(value: &impl Serialize) -> String {
    let word = serde_json::to_value(value).unwrap_or_default();
    word.as_str().unwrap_or_default().to_owned()
}

impl Columns for HeldEntryView {
    const NAMES: &'static [&'static str] = &[
        "id",
        "state",
        "reason",
        "detail",
        "device_id",
        "received_at",
        "entry_id",
        "kind",
        "clamp_id",
        "mark",
        "restricts",
        "bars",
        "performed_by",
        "performed_at",
        "settled_at",
        "settled_by",
        "settled_clamp",
        "settled_reason",
    ];
    fn cells(&self, row: &mut Cells<'_>) {
        row.plain(self.id)
            .plain(word(&self.state))
            .plain(word(&self.reason))
            .text(&self.detail)
            .plain(self.device_id)
            .plain(self.received_at)
            .maybe(self.entry_id)
            .maybe_text(self.kind.as_deref())
            .maybe(self.clamp_id)
            .maybe_text(self.mark.as_deref())
            .plain(self.restricts)
            .words(&self.bars)
            .maybe(self.performed_by)
            .maybe(self.performed_at)
            .maybe(self.settled_at)
            .maybe(self.settled_by)
            .maybe(self.settled_clamp)
            .maybe_text(self.settled_reason.as_deref());
    }
}
