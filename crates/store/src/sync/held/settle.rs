//! Settling held entries: a person places one or dismisses it.
//!
//! What is recorded are the bytes that came, under the entry's own id. Placed by hand it restricts and does nothing else.
//! Nobody's lock-out is closed here.

use super::list::{COLUMNS, Row};
use super::{HeldEntry, HeldReason, HeldState};
use crate::door::{Author, Batch, FromDevice, Recorded, Signing, Taken, ToTake};
use crate::ledger::{LedgerRow, content_hash};
use crate::sync::push::{Named, Read, Reader, Told, new_entry};
use crate::tx::{Command, CommandError};
use crate::{Store, StoreError, Tx};
use clampward_domain::canonical;
use clampward_domain::entry::Body;
use clampward_domain::ids::{ClampId, DeviceId, EntryId, PersonId, YardId};
use clampward_domain::reference::YardScope;
use clampward_domain::signing::Unsigned;
use jiff::Timestamp;
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use serde::Serialize;
use uuid::Uuid;

/// Why a held entry was not settled.
#[derive(Debug, thiserror::Error)]
pub enum SettleError {
    /// There is none, or not in these yards; or the clamp is not.
    #[error("no such held entry or clamp")]
    NotFound {
        /// What is not there.
        what: &'static str,
    },
    /// It was settled before.
    #[error("it was settled before")]
    Settled,
    /// It is no entry, so that there is nothing to record of a clamp.
    #[error("it is no entry that could be placed")]
    NoEntry,
    /// Its id was used for something else by now.
    #[error("its id was used for something else")]
    IdReused,
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl CommandError for SettleError {
    fn store_error(&self) -> Option<&StoreError> {
        match self {
            Self::Store(error) => Some(error),
            Self::NotFound { .. } | Self::Settled | Self::NoEntry | Self::IdReused => None,
        }
    }
}

impl From<sqlx::Error> for SettleError {
    fn from(error: sqlx::Error) -> Self {
        Self::Store(error.into())
    }
}

/// Who settles, and for which yards.
#[derive(Clone, Debug)]
pub struct Settler {
    /// The person.
    pub person: PersonId,
    /// Their yards.
    pub yards: YardScope,
    /// The id of the row that says so.
    pub row_id: Uuid,
}

/// What the ledger says of a settlement.
#[derive(Serialize)]
struct Record<'a> {
    id: Uuid,
    kind: &'static str,
    held_id: EntryId,
    #[serde(skip_serializing_if = "Option::is_none")]
    entry_id: Option<EntryId>,
    #[serde(skip_serializing_if = "Option::is_none")]
    clamp_id: Option<ClampId>,
    #[serde(skip_serializing_if = "Option::is_none")]
    reason: Option<&'a str>,
    performed_at: Timestamp,
    performed_by: PersonId,
}

impl Record<'_> {
    fn row(&self, device: DeviceId) -> Result<LedgerRow, StoreError> {
        Ok(LedgerRow {
            id: self.id,
            stream: device.uuid(),
            kind: self.kind,
            performed_at: self.performed_at,
            counted_at: self.performed_at,
            performed_by: self.performed_by,
            recorded_by: self.performed_by,
            device_id: None,
            bytes: canonical::to_bytes(self)?,
            content_hash: content_hash(self)?,
            outcome: None,
            yards: Vec::new(),
        })
    }
}

/// A held entry under lock, with what is kept of it beside.
pub(super) struct Locked {
    pub(super) held: HeldEntry,
    pub(super) counted: Option<(Timestamp, bool)>,
    pub(super) signing: Signing,
    /// Who handed it in.
    pub(super) received_by: PersonId,
    reason: HeldReason,
}

impl Locked {
    /// Whether its cause may go away by itself.
    pub(super) fn may_be_recorded(&self) -> bool {
        match self.reason {
            HeldReason::UnknownKind
            | HeldReason::UnknownClamp
            | HeldReason::AmbiguousMark
            | HeldReason::UnknownReference => true,
            HeldReason::Unreadable
            | HeldReason::DeviceRevoked
            | HeldReason::Internal
            | HeldReason::IdReused => false,
        }
    }
}

pub(super) async fn lock(tx: &mut Tx, id: EntryId) -> Result<Option<Locked>, StoreError> {
    let sql = sqlx::AssertSqlSafe(format!("-- held.lock\n{COLUMNS} where id = $1 for no key update"));
    let row: Option<Row> = sqlx::query_as(sql)
        .bind(id.uuid())
        .fetch_optional(&mut **tx)
        .await?;
    let Some(row) = row else { return Ok(None) };
    type Beside = (
        Option<SqlTimestamp>,
        bool,
        Option<SqlTimestamp>,
        Option<SqlTimestamp>,
        Option<Uuid>,
        Uuid,
        String,
    );
    let (counted_at, corrected, from, until, key, received_by, reason): Beside = sqlx::query_as(
        "-- held.beside
         select counted_at, corrected, signed_from, signed_until, signed_key, received_by, reason
           from held_entry where id = $1",
    )
    .bind(id.uuid())
    .fetch_one(&mut **tx)
    .await?;
    let signing = match from.zip(until) {
        Some((from, until)) => Signing::Key {
            id: key.unwrap_or_default(),
            from: from.to_jiff(),
            until: until.to_jiff(),
        },
        None => Signing::Unsigned(Unsigned::NoSignature),
    };
    Ok(Some(Locked {
        held: row.read()?,
        counted: counted_at.map(|at| (at.to_jiff(), corrected)),
        signing,
        received_by: PersonId::new(received_by),
        reason: crate::reference::word("held_entry", "reason", id.uuid(), &reason)?,
    }))
}

/// Whether these yards cover one of the held entry's: as the reading role would see it.
async fn is_theirs(tx: &mut Tx, id: EntryId, yards: &YardScope) -> Result<bool, StoreError> {
    let YardScope::Some(yards) = yards else {
        return Ok(true);
    };
    let yards: Vec<Uuid> = yards.iter().map(|yard| yard.uuid()).collect();
    Ok(
        sqlx::query_scalar("-- held.is_theirs\nselect yards && $2 from held_entry where id = $1")
            .bind(id.uuid())
            .bind(&yards)
            .fetch_one(&mut **tx)
            .await?,
    )
}

pub(super) async fn settled(
    tx: &mut Tx,
    id: EntryId,
    state: HeldState,
    by: PersonId,
    clamp: Option<ClampId>,
    reason: Option<&str>,
) -> Result<(), StoreError> {
    sqlx::query(
        "-- held.settled
         update held_entry set state = $2, settled_at = $3, settled_by = $4, settled_clamp = $5, settled_reason = $6
          where id = $1",
    )
    .bind(id.uuid())
    .bind(state.code())
    .bind(tx.now().to_sqlx())
    .bind(by.uuid())
    .bind(clamp.map(ClampId::uuid))
    .bind(reason)
    .execute(&mut **tx)
    .await?;
    Ok(())
}

async fn waiting(tx: &mut Tx, id: EntryId, settler: &Settler) -> Result<Locked, SettleError> {
    let not_found = SettleError::NotFound { what: "held entry" };
    let Some(locked) = lock(tx, id).await? else {
        return Err(not_found);
    };
    if !is_theirs(tx, id, &settler.yards).await? {
        return Err(not_found);
    }
    if locked.held.state != HeldState::Held {
        return Err(SettleError::Settled);
    }
    Ok(locked)
}

/// The yard that an entry registers a clamp in. It is placed under the clamp that it names and no other: a slip of the hand
/// would make one up.
fn yard_of_registered(told: &Told, clamp: ClampId) -> Option<YardId> {
    match (&told.body, &told.named) {
        (Body::Registered(body), Named::Clamp(named)) if *named == clamp => Some(body.yard_id),
        _ => None,
    }
}

struct Place<'a> {
    store: &'a Store,
    id: EntryId,
    clamp: ClampId,
    settler: &'a Settler,
    reader: Reader<'a>,
}

impl Command for Place<'_> {
    type Output = Recorded;
    type Error = SettleError;

    async fn attempt(&self, tx: &mut Tx) -> Result<Recorded, SettleError> {
        let locked = waiting(tx, self.id, self.settler).await?;
        let Read::Entry(told) = (self.reader)(&locked.held.raw) else {
            return Err(SettleError::NoEntry);
        };
        let (counted_at, corrected) = locked.counted.unwrap_or((told.performed_at, false));
        let record = Record {
            id: self.settler.row_id,
            kind: "placed",
            held_id: self.id,
            entry_id: Some(told.id),
            clamp_id: Some(self.clamp),
            reason: None,
            performed_at: tx.now(),
            performed_by: self.settler.person,
        };
        let mut to_take = ToTake::by(Author {
            person: self.settler.person,
            signed: false,
            device: Some(locked.held.device),
            yards: self.settler.yards.clone(),
        });
        let new = new_entry(&told, self.clamp);
        let hash = new.content_hash()?;
        let placed = FromDevice {
            counted_at,
            corrected,
            signing: locked.signing,
            placed: true,
            distrusted: None,
            yards: self.settler.yards.clone(),
            restricts: false,
        };
        to_take.add(new, hash, Some(placed));
        let mut batch = Batch::open(self.store, tx, &to_take).await?;
        let mut yards = batch.yards_of(self.clamp);
        if !batch.knows(self.clamp) {
            yards.extend(yard_of_registered(&told, self.clamp));
        }
        if !yards.iter().any(|yard| self.settler.yards.covers(*yard)) {
            return Err(SettleError::NotFound { what: "clamp" });
        }
        match batch.take(tx, told.id).await? {
            Taken::Yes => {}
            Taken::Already | Taken::Reused => return Err(SettleError::IdReused),
            Taken::NotFound | Taken::Revoked => return Err(SettleError::NotFound { what: "clamp" }),
            Taken::UnknownReference(_) => return Err(SettleError::NoEntry),
        }
        let by = self.settler.person;
        settled(tx, self.id, HeldState::Placed, by, Some(self.clamp), None).await?;
        let rows = vec![record.row(locked.held.device)?];
        let settled = batch.settle(tx, rows).await?;
        Ok(settled.answer(told.id)?)
    }
}

struct Dismiss<'a> {
    store: &'a Store,
    id: EntryId,
    settler: &'a Settler,
    reason: &'a str,
}

impl Command for Dismiss<'_> {
    type Output = HeldEntry;
    type Error = SettleError;

    async fn attempt(&self, tx: &mut Tx) -> Result<HeldEntry, SettleError> {
        let locked = waiting(tx, self.id, self.settler).await?;
        let record = Record {
            id: self.settler.row_id,
            kind: "dismissed",
            held_id: self.id,
            entry_id: locked.held.entry,
            clamp_id: None,
            reason: Some(self.reason),
            performed_at: tx.now(),
            performed_by: self.settler.person,
        };
        let by = self.settler.person;
        settled(tx, self.id, HeldState::Dismissed, by, None, Some(self.reason)).await?;
        let reference = self.store.reference_in(tx).await?;
        let row = record.row(locked.held.device)?;
        crate::ledger::append(tx, vec![row], reference.version, false).await?;
        Ok(HeldEntry {
            state: HeldState::Dismissed,
            settled_at: Some(tx.now()),
            settled_by: Some(by),
            settled_reason: Some(self.reason.to_owned()),
            ..locked.held
        })
    }
}

impl Store {
    /// Records a held entry of a clamp by a person's hand, under its own id, as it came. It restricts and counts for
    /// nothing else.
    pub async fn place_held_entry(
        &self,
        id: EntryId,
        clamp: ClampId,
        settler: &Settler,
        reader: Reader<'_>,
    ) -> Result<Recorded, SettleError> {
        let place = Place {
            store: self,
            id,
            clamp,
            settler,
            reader,
        };
        self.run_command("held.place", &place).await
    }

    /// Marks a held entry as settled without being recorded. It is kept, and what it barred stays barred.
    pub async fn dismiss_held_entry(
        &self,
        id: EntryId,
        reason: &str,
        settler: &Settler,
    ) -> Result<HeldEntry, SettleError> {
        let dismiss = Dismiss {
            store: self,
            id,
            settler,
            reason,
        };
        self.run_command("held.dismiss", &dismiss).await
    }
}
