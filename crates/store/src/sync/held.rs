//! Entries that could not be placed, kept as they came: each a row of the ledger on its device's stream, and a row here
//! that lists it until it is settled. What restricts, or cannot be read, bars the clamp that it names meanwhile.
//!
//! Nothing here decides that an entry is held, and nothing that is held is ever lost.

mod list;
mod replay;
mod settle;
mod weighing;

pub use list::{HeldEntry, HeldFilter};
pub use settle::{SettleError, Settler};
pub(crate) use weighing::{Weighed, Weighing};

use super::push::{Named, Told};
use crate::door::{NewEntry, Signing};
use crate::ledger::{Hash, LedgerRow, content_hash, hex};
use crate::{StoreError, Tx};
use clampward_domain::canonical::{self, sha256};
use clampward_domain::entry::{Alone, Body, TaggedOut};
use clampward_domain::ids::{ClampId, DeviceId, EntryId, PersonId, YardId, derived_entry_id};
use clampward_domain::mark::exact_key;
use clampward_domain::words::{EntryKind, LockoutReason};
use jiff::Timestamp;
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use serde::Serialize;
use std::collections::BTreeMap;
use std::str::FromStr;
use uuid::Uuid;

/// Most clamps that one mark stands for.
const MAX_BEARERS: i64 = 20;
/// Most entries of one device that are held at once and restrict nothing: further ones wait on the device. What may restrict
/// is held however many there are.
pub const MAX_HELD: u32 = 2_000;
/// Most bytes of an element that are kept.
pub const MAX_RAW: usize = 64 * 1024;

/// Why what a revoked device wrote is nobody's word, and waits where it restricts nothing.
pub(crate) const REVOKED: &str = "It was written after the device was revoked.";
pub(crate) const FAILED: &str = "The service failed on it several times; its keepers were told.";

/// Why an entry is held.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum HeldReason {
    /// The service does not know this kind of entry.
    UnknownKind,
    /// It cannot be read.
    Unreadable,
    /// No clamp of the device's yards has this id or mark.
    UnknownClamp,
    /// Several clamps bear the mark.
    AmbiguousMark,
    /// It names a yard, a model or a version that nobody knows.
    UnknownReference,
    /// It was written after the device was revoked.
    DeviceRevoked,
    /// The service failed on it several times.
    Internal,
    /// While it was held its id was used for something else: it will never be recorded under it.
    IdReused,
}

impl HeldReason {
    /// Every reason.
    pub const ALL: [Self; 8] = [
        Self::UnknownKind,
        Self::Unreadable,
        Self::UnknownClamp,
        Self::AmbiguousMark,
        Self::UnknownReference,
        Self::DeviceRevoked,
        Self::Internal,
        Self::IdReused,
    ];
    /// The word of the database.
    pub const fn code(self) -> &'static str {
        match self {
            Self::UnknownKind => "unknown_kind",
            Self::Unreadable => "unreadable",
            Self::UnknownClamp => "unknown_clamp",
            Self::AmbiguousMark => "ambiguous_mark",
            Self::UnknownReference => "unknown_reference",
            Self::DeviceRevoked => "device_revoked",
            Self::Internal => "internal",
            Self::IdReused => "id_reused",
        }
    }
    /// In words, of one that goes on waiting for another reason than that it came for; those have words of their own.
    pub(crate) const fn detail(self) -> Option<&'static str> {
        match self {
            Self::DeviceRevoked => Some(REVOKED),
            Self::Internal => Some(FAILED),
            Self::IdReused => Some("While it was held its id was used for something else."),
            Self::UnknownKind
            | Self::Unreadable
            | Self::UnknownClamp
            | Self::AmbiguousMark
            | Self::UnknownReference => None,
        }
    }
}

impl FromStr for HeldReason {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let found = Self::ALL.into_iter().find(|reason| reason.code() == text);
        found.ok_or_else(|| format!("{text} is no reason to hold an entry"))
    }
}

/// What became of a held entry.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HeldState {
    /// It waits.
    Held,
    /// A person placed it.
    Placed,
    /// A person dismissed it; it is kept all the same.
    Dismissed,
    /// Its cause went away and it was recorded.
    Replayed,
}

impl HeldState {
    /// Every state.
    pub const ALL: [Self; 4] = [Self::Held, Self::Placed, Self::Dismissed, Self::Replayed];
    /// The word of the database.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Held => "held",
            Self::Placed => "placed",
            Self::Dismissed => "dismissed",
            Self::Replayed => "replayed",
        }
    }
}

impl FromStr for HeldState {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let found = Self::ALL.into_iter().find(|state| state.code() == text);
        found.ok_or_else(|| format!("{text} is no state of a held entry"))
    }
}

/// By what a held entry is known again: the device, the entry and what it says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct HeldKey {
    pub id: EntryId,
    pub told_hash: Hash,
}

#[derive(Serialize)]
struct ToldContent<'a> {
    #[serde(skip_serializing_if = "Option::is_none")]
    clamp_id: Option<ClampId>,
    #[serde(skip_serializing_if = "Option::is_none")]
    mark: Option<&'a str>,
    kind: EntryKind,
    performed_at: Timestamp,
    performed_by: PersonId,
    body: Alone<'a>,
}

impl HeldKey {
    fn of(device: DeviceId, entry: Option<EntryId>, told_hash: Hash) -> Self {
        let entry = entry.map(|entry| entry.to_string()).unwrap_or_default();
        let said = hex(&told_hash);
        Self {
            id: derived_entry_id(&["held", &device.to_string(), &entry, &said]),
            told_hash,
        }
    }
    /// Of an element that is no entry.
    pub(crate) fn of_raw(device: DeviceId, entry: Option<EntryId>, raw: &[u8]) -> Self {
        Self::of(device, entry, sha256(&[raw]))
    }
    /// Of an entry, as it names its clamp.
    pub(crate) fn of_told(device: DeviceId, told: &Told) -> Result<Self, StoreError> {
        let (clamp_id, mark) = match &told.named {
            Named::Clamp(clamp) => (Some(*clamp), None),
            Named::Mark(mark) => (None, Some(mark.as_str())),
        };
        let content = ToldContent {
            clamp_id,
            mark,
            kind: told.body.kind(),
            performed_at: told.performed_at,
            performed_by: told.performed_by,
            body: told.body.alone(),
        };
        Ok(Self::of(device, Some(told.id), content_hash(&content)?))
    }
}

/// An element that is going to be kept.
#[derive(Clone, Debug)]
pub(crate) struct Kept {
    pub key: HeldKey,
    pub entry: Option<EntryId>,
    pub reason: HeldReason,
    pub detail: String,
    pub kind: Option<String>,
    pub clamp: Option<ClampId>,
    pub mark: Option<String>,
    /// Every clamp and every mark that it names, marks as keys.
    pub clamps: Vec<ClampId>,
    pub mark_keys: Vec<String>,
    /// Whether it may restrict.
    pub restricts: bool,
    /// The clamps that it bars meanwhile; until they were weighed, those that it may.
    pub bars: Vec<ClampId>,
    /// Those that it was looked at for and leaves alone.
    pub weighed: Vec<ClampId>,
    /// The yards whose leads see it.
    pub yards: Vec<YardId>,
    pub performed_by: Option<PersonId>,
    pub performed_at: Option<Timestamp>,
    /// When it counts, and whether that is another time than told.
    pub counted: Option<(Timestamp, bool)>,
    pub signing: Option<Signing>,
    pub raw: Vec<u8>,
    /// Whether its id was used before, so that nobody can place it either.
    pub is_refused: bool,
}

/// A held entry that was there before.
#[derive(Clone, Debug)]
pub(crate) struct KnownHeld {
    pub id: EntryId,
    pub reason: HeldReason,
    pub detail: String,
    state: HeldState,
}

impl KnownHeld {
    /// Whether it is an entry of a clamp by now.
    pub(crate) fn became_recorded(&self) -> bool {
        matches!(self.state, HeldState::Placed | HeldState::Replayed)
    }
}

/// Takes a device's lock, unless somebody else holds it.
pub(crate) async fn try_lock_device(tx: &mut Tx, device: DeviceId) -> Result<bool, StoreError> {
    Ok(sqlx::query_scalar(
        "-- push.lock_device\nselect pg_try_advisory_xact_lock(hashtextextended($1::uuid::text, 40))",
    )
    .bind(device.uuid())
    .fetch_one(&mut **tx)
    .await?)
}

/// Held entries by their ids.
pub(crate) async fn look_up(tx: &mut Tx, keys: &[Uuid]) -> Result<Vec<KnownHeld>, StoreError> {
    let rows: Vec<(Uuid, String, String, String)> = sqlx::query_as(
        "-- held.look_up
         select id, coalesce(stays_because, reason), detail, state from held_entry where id = any($1) order by id",
    )
    .bind(keys)
    .fetch_all(&mut **tx)
    .await?;
    rows.into_iter()
        .map(|(id, reason, detail, state)| {
            let reason: HeldReason = crate::reference::word("held_entry", "reason", id, &reason)?;
            Ok(KnownHeld {
                id: EntryId::new(id),
                reason,
                state: crate::reference::word("held_entry", "state", id, &state)?,
                detail: reason.detail().map_or(detail, str::to_owned),
            })
        })
        .collect()
}

/// The clamps of the whole company that bear marks, by key: the live ones, or where there is none the retired ones.
pub(crate) async fn bearers(
    tx: &mut Tx,
    keys: Vec<String>,
) -> Result<BTreeMap<String, Vec<ClampId>>, StoreError> {
    if keys.is_empty() {
        return Ok(BTreeMap::new());
    }
    let rows: Vec<(String, Uuid, bool)> = sqlx::query_as(
        "-- held.bearers
         select k.mark_key, c.id, c.retired_at is null
           from unnest($1::text[]) as k(mark_key)
          cross join lateral (
            select id, retired_at from clamp where clamp.mark_key = k.mark_key
             order by retired_at is not null, id limit $2) as c
          order by 1, 3 desc, 2",
    )
    .bind(&keys)
    .bind(MAX_BEARERS)
    .fetch_all(&mut **tx)
    .await?;
    let mut bearers: BTreeMap<String, Vec<ClampId>> = BTreeMap::new();
    let mut has_live: BTreeMap<String, bool> = BTreeMap::new();
    for (key, clamp, is_live) in rows {
        let any_live = has_live.entry(key.clone()).or_insert(is_live);
        if is_live || !*any_live {
            bearers.entry(key).or_default().push(ClampId::new(clamp));
        }
    }
    Ok(bearers)
}

/// The marks that something names, as keys.
pub(crate) fn mark_keys(marks: &[String]) -> Vec<String> {
    marks
        .iter()
        .map(|mark| exact_key(&mark.replace('\0', "\u{fffd}")))
        .filter(|key| !key.is_empty())
        .collect()
}

/// How many more entries of a device are held that restrict nothing; asked under the device's lock.
pub(crate) async fn room_of(tx: &mut Tx, device: DeviceId) -> Result<u32, StoreError> {
    let held: i64 = sqlx::query_scalar(
        "-- held.room
         select count(*) from (
           select from held_entry where device_id = $1 and state = 'held' and not restricts limit $2) as h",
    )
    .bind(device.uuid())
    .bind(i64::from(MAX_HELD))
    .fetch_one(&mut **tx)
    .await?;
    Ok(MAX_HELD.saturating_sub(u32::try_from(held).unwrap_or(MAX_HELD)))
}

/// The tag-out of a clamp that a held entry bars, under an id that anyone can derive.
pub(crate) fn bar(held: EntryId, clamp: ClampId, device: DeviceId, now: Timestamp) -> NewEntry {
    NewEntry {
        id: derived_entry_id(&["held", &held.to_string(), &clamp.to_string()]),
        clamp_id: clamp,
        performed_at: now,
        performed_by: PersonId::new(device.uuid()),
        judged_by: None,
        body: Body::TaggedOut(TaggedOut {
            reason: LockoutReason::Held,
            note: Some(format!(
                "Held entry {held} of a device is still to be placed or dismissed."
            )),
            photos: Vec::new(),
            bulletin: None,
            lift_check: None,
        }),
    }
}

/// The part of an element that is kept, as text; what is no text is kept as hexadecimal digits.
#[derive(Serialize)]
#[serde(rename_all = "snake_case")]
enum Raw<'a> {
    Raw(&'a str),
    RawHex(String),
}

impl<'a> Raw<'a> {
    fn of(raw: &'a [u8]) -> Self {
        match std::str::from_utf8(raw) {
            Ok(text) => Self::Raw(text),
            Err(_) => Self::RawHex(raw.iter().map(|byte| format!("{byte:02x}")).collect()),
        }
    }
}

/// What a row of the ledger says of something that was kept.
#[derive(Serialize)]
struct Record<'a> {
    id: EntryId,
    kind: &'static str,
    device_id: DeviceId,
    #[serde(skip_serializing_if = "Option::is_none")]
    entry_id: Option<EntryId>,
    reason: &'static str,
    detail: &'a str,
    /// Bytes of the whole.
    length: usize,
    #[serde(flatten)]
    raw: Raw<'a>,
}

/// Keeps elements: the rows of the ledger come back, to be appended with everything else.
pub(crate) async fn keep(
    tx: &mut Tx,
    device: DeviceId,
    by: PersonId,
    kept: &[Kept],
) -> Result<Vec<LedgerRow>, StoreError> {
    let now = tx.now();
    let mut rows = Vec::with_capacity(kept.len());
    for one in kept {
        let raw = one.raw.get(..MAX_RAW).unwrap_or(&one.raw);
        let record = Record {
            id: one.key.id,
            kind: if one.is_refused { "refused" } else { "held" },
            device_id: device,
            entry_id: one.entry,
            reason: if one.is_refused {
                "id_reused"
            } else {
                one.reason.code()
            },
            detail: &one.detail,
            length: one.raw.len(),
            raw: Raw::of(raw),
        };
        rows.push(LedgerRow {
            id: one.key.id.uuid(),
            stream: device.uuid(),
            kind: record.kind,
            performed_at: now,
            counted_at: now,
            performed_by: PersonId::new(device.uuid()),
            recorded_by: by,
            device_id: Some(device),
            bytes: canonical::to_bytes(&record)?,
            content_hash: one.key.told_hash,
            outcome: None,
            yards: Vec::new(),
        });
    }
    let held: Vec<&Kept> = kept.iter().filter(|one| !one.is_refused).collect();
    insert(tx, device, by, &held).await?;
    Ok(rows)
}

async fn insert(tx: &mut Tx, device: DeviceId, by: PersonId, held: &[&Kept]) -> Result<(), StoreError> {
    if held.is_empty() {
        return Ok(());
    }
    let instant = |instant: Option<Timestamp>| -> Option<SqlTimestamp> { instant.map(ToSqlx::to_sqlx) };
    let life = |one: &Kept| match &one.signing {
        Some(Signing::Key { id, from, until }) => (Some(*id), Some(*from), Some(*until)),
        Some(Signing::Unsigned(_)) | None => (None, None, None),
    };
    let texts = |texts: &[String]| -> String {
        let quoted = |text: &String| format!("\"{}\"", text.replace('\\', "\\\\").replace('"', "\\\""));
        format!("{{{}}}", texts.iter().map(quoted).collect::<Vec<_>>().join(","))
    };
    sqlx::query(
        "-- held.insert
         insert into held_entry (id, device_id, entry_id, told_hash, reason, detail, kind, clamp_id, mark, mark_key,
           restricts, bars, yards, performed_by, performed_at, counted_at, corrected, signed_from, signed_until, raw,
           clamps, mark_keys, weighed, signed_key, received_at, received_by)
         select u.id, $1, u.entry_id, u.told_hash, u.reason, u.detail, u.kind, u.clamp_id, u.mark, u.mark_key,
           u.restricts, u.bars::uuid[], u.yards::uuid[], u.performed_by, u.performed_at, u.counted_at, u.corrected,
           u.signed_from, u.signed_until, u.raw, u.clamps::uuid[], u.mark_keys::text[], u.weighed::uuid[], u.signed_key,
           $2, $3
         from unnest($4::uuid[], $5::uuid[], $6::bytea[], $7::text[], $8::text[], $9::text[], $10::uuid[], $11::text[],
           $12::text[], $13::boolean[], $14::text[], $15::text[], $16::uuid[], $17::timestamptz[], $18::timestamptz[],
           $19::boolean[], $20::timestamptz[], $21::timestamptz[], $22::bytea[], $23::text[], $24::text[], $25::text[],
           $26::uuid[])
           as u(id, entry_id, told_hash, reason, detail, kind, clamp_id, mark, mark_key, restricts, bars, yards,
                performed_by, performed_at, counted_at, corrected, signed_from, signed_until, raw, clamps, mark_keys,
                weighed, signed_key)
         on conflict (id) do nothing",
    )
    .bind(device.uuid())
    .bind(tx.now().to_sqlx())
    .bind(by.uuid())
    .bind(held.iter().map(|one| one.key.id.uuid()).collect::<Vec<_>>())
    .bind(held.iter().map(|one| one.entry.map(EntryId::uuid)).collect::<Vec<_>>())
    .bind(held.iter().map(|one| one.key.told_hash.to_vec()).collect::<Vec<_>>())
    .bind(held.iter().map(|one| one.reason.code()).collect::<Vec<_>>())
    .bind(held.iter().map(|one| one.detail.replace('\0', "\u{fffd}")).collect::<Vec<_>>())
    .bind(held.iter().map(|one| one.kind.as_ref().map(|kind| kind.replace('\0', "\u{fffd}"))).collect::<Vec<_>>())
    .bind(held.iter().map(|one| one.clamp.map(ClampId::uuid)).collect::<Vec<_>>())
    .bind(held.iter().map(|one| one.mark.as_ref().map(|mark| mark.replace('\0', "\u{fffd}"))).collect::<Vec<_>>())
    .bind(held.iter().map(|one| one.mark.as_ref().map(|mark| exact_key(&mark.replace('\0', "\u{fffd}")))).collect::<Vec<_>>())
    .bind(held.iter().map(|one| one.restricts).collect::<Vec<_>>())
    .bind(held.iter().map(|one| literal(one.bars.iter().map(|clamp| clamp.uuid()))).collect::<Vec<_>>())
    .bind(held.iter().map(|one| literal(one.yards.iter().map(|yard| yard.uuid()))).collect::<Vec<_>>())
    .bind(held.iter().map(|one| one.performed_by.map(PersonId::uuid)).collect::<Vec<_>>())
    .bind(held.iter().map(|one| instant(one.performed_at)).collect::<Vec<_>>())
    .bind(held.iter().map(|one| instant(one.counted.map(|(at, _)| at))).collect::<Vec<_>>())
    .bind(held.iter().map(|one| one.counted.is_some_and(|(_, corrected)| corrected)).collect::<Vec<_>>())
    .bind(held.iter().map(|one| instant(life(one).1)).collect::<Vec<_>>())
    .bind(held.iter().map(|one| instant(life(one).2)).collect::<Vec<_>>())
    .bind(held.iter().map(|one| one.raw.get(..MAX_RAW).unwrap_or(&one.raw).to_vec()).collect::<Vec<_>>())
    .bind(held.iter().map(|one| literal(one.clamps.iter().map(|clamp| clamp.uuid()))).collect::<Vec<_>>())
    .bind(held.iter().map(|one| texts(&one.mark_keys)).collect::<Vec<_>>())
    .bind(held.iter().map(|one| literal(one.weighed.iter().map(|clamp| clamp.uuid()))).collect::<Vec<_>>())
    .bind(held.iter().map(|one| life(one).0).collect::<Vec<_>>())
    .execute(&mut **tx)
    .await?;
    Ok(())
}

fn literal(ids: impl Iterator<Item = Uuid>) -> String {
    crate::projection::array_literal(&ids.collect::<Vec<_>>())
}
