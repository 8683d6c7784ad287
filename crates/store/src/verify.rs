//! Verifying: everything that is stored, computed a second time and compared. Finds tampering and faults alike.
//!
//! Reads one snapshot of the database under the door's role, changes nothing, and reports every violation rather than
//! stopping at the first. A tail that was cut off with its projection cannot be seen from here: for that, a checkpoint
//! has to stand elsewhere.

mod held;
mod order;
mod projections;
mod reference;
mod streams;

use crate::tx::begin_alive;
use crate::{Store, StoreError};
use serde::Serialize;
use sqlx::{Executor, PgConnection};
use uuid::Uuid;

/// Kinds of violations.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ViolationKind {
    /// A position is missing or there is one too many.
    PositionGap,
    /// A row was recorded before the one ahead of it.
    RecordedOutOfOrder,
    /// A number within a stream is missing.
    SeqGap,
    /// A row does not continue the one before it in its stream.
    ChainBroken,
    /// A row's hash is not that of its bytes.
    HashWrong,
    /// A column is not what the row was sealed with.
    SealBroken,
    /// A column says something else than the stored bytes.
    ColumnDiffers,
    /// Stored bytes are no entry.
    Unreadable,
    /// A row is not delivered to the yards that it names, or to others too.
    DeliveredDiffers,
    /// The head of a stream is not its last row.
    StreamHeadDiffers,
    /// A clamp's state is not the fold of its entries.
    StateDiffers,
    /// A clamp's columns are not those of its state.
    ProjectionDiffers,
    /// The stored lock-outs are not those of the fold.
    LockoutsDiffer,
    /// The stored periods in which a clamp is out are not those of its entries.
    OutPeriodsDiffer,
    /// Reference data are not what the ledger records of them.
    ReferenceDiffers,
    /// Held entries are not what the ledger keeps of them.
    HeldEntriesDiffer,
    /// A clamp was registered and is not there.
    ClampMissing,
    /// A number that a clamp bears is not claimed for it.
    NumberNotClaimed,
}

/// Something that is not as it must be.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Violation {
    /// What kind.
    pub kind: ViolationKind,
    /// The stream (a clamp, a yard, …), if it is about one.
    pub stream: Option<Uuid>,
    /// The position, if it is about a row.
    pub position: Option<u64>,
    /// In words.
    pub detail: String,
}

/// What was looked at and what was found.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct VerifyReport {
    /// Rows of the ledger.
    pub rows: u64,
    /// Streams.
    pub streams: u64,
    /// Clamps whose projection was compared.
    pub clamps: u64,
    /// Clamps that wait to be reassessed, so that their projection is not compared.
    pub pending: u64,
    /// Every violation.
    pub violations: Vec<Violation>,
}

impl VerifyReport {
    /// Whether everything is as it must be.
    pub fn is_clean(&self) -> bool {
        self.violations.is_empty()
    }
    fn found(
        &mut self,
        kind: ViolationKind,
        stream: Option<Uuid>,
        position: Option<i64>,
        detail: impl Into<String>,
    ) {
        let position = position.map(i64::unsigned_abs);
        self.violations.push(Violation {
            kind,
            stream,
            position,
            detail: detail.into(),
        });
    }
}

impl Store {
    /// Verifies the whole database.
    pub async fn verify(&self) -> Result<VerifyReport, StoreError> {
        let mut tx = begin_alive(&self.inner.door).await?;
        tx.execute("set transaction isolation level repeatable read, read only")
            .await?;
        // Long on purpose: it walks everything.
        tx.execute("set local statement_timeout = 0").await?;
        let report = self.walk(&mut tx).await?;
        tx.rollback().await?;
        Ok(report)
    }

    async fn walk(&self, connection: &mut PgConnection) -> Result<VerifyReport, StoreError> {
        let mut report = VerifyReport::default();
        order::walk(connection, &mut report).await?;
        streams::walk(connection, &mut report).await?;
        reference::walk(connection, &mut report).await?;
        held::walk(connection, &mut report).await?;
        let reference = crate::reference::load(connection).await?;
        projections::walk(connection, &reference, &mut report).await?;
        Ok(report)
    }
}
