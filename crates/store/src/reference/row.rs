//! Reference data as rows of the ledger: one record per change, chained by its subject, acting through the head's
//! reference version.

use crate::ledger::{Appended, LedgerRow, append, content_hash};
use crate::{CommandError, StoreError, Tx};
use clampward_domain::canonical;
use clampward_domain::ids::{PersonId, YardId};
use jiff::Timestamp;
use serde::Serialize;
use serde::de::DeserializeOwned;
use std::str::FromStr;
use uuid::Uuid;

/// The number of a version, from 1.
pub type VersionNumber = u32;

/// What a version says, read back from the table it stands in.
pub(crate) fn read_body<T: DeserializeOwned>(
    table: &'static str,
    id: Uuid,
    body: serde_json::Value,
) -> Result<T, StoreError> {
    serde_json::from_value(body).map_err(|error| StoreError::Inconsistent {
        table,
        column: "body",
        id,
        detail: error.to_string(),
    })
}

/// Why a change of yards or models was refused.
#[derive(Debug, thiserror::Error)]
pub enum ReferenceError {
    /// The yard's code is another yard's.
    #[error("the code is taken")]
    CodeTaken,
    /// The maker has a model of this name.
    #[error("the model exists")]
    ModelTaken,
    /// There is no such yard or model.
    #[error("not found")]
    NotFound,
    /// Somebody changed it meanwhile.
    #[error("the version is stale")]
    Stale,
    /// A version that starts later is recorded already.
    #[error("a later version is recorded already")]
    LaterVersionPending,
    /// The store failed.
    #[error(transparent)]
    Store(StoreError),
}

impl From<StoreError> for ReferenceError {
    fn from(error: StoreError) -> Self {
        match error.constraint() {
            Some("yard_code_is_one_yards") => Self::CodeTaken,
            Some("model_name_is_one_of_its_maker") => Self::ModelTaken,
            _ => Self::Store(error),
        }
    }
}
impl From<sqlx::Error> for ReferenceError {
    fn from(error: sqlx::Error) -> Self {
        StoreError::from(error).into()
    }
}
impl CommandError for ReferenceError {
    fn store_error(&self) -> Option<&StoreError> {
        match self {
            Self::Store(error) => Some(error),
            _ => None,
        }
    }
}

/// A change of reference data before it has its place.
pub(crate) struct ReferenceRow<'a, B> {
    /// Id of the row.
    pub id: Uuid,
    /// What it is about.
    pub subject: Uuid,
    /// What happened: `yard`, `model`, `person`, `competence`, `competence_revoked`, `signing_key`, `signing_key_revoked`,
    /// `device_revoked`, `bulletin`, `bulletin_held`, `bulletin_closed`, `bulletin_not_found`.
    pub kind: &'static str,
    /// Who did it.
    pub by: PersonId,
    /// Which version it records, where the subject has versions.
    pub version: Option<u64>,
    /// What it says.
    pub body: &'a B,
}

#[derive(Serialize)]
struct Content<'a, B> {
    subject: Uuid,
    kind: &'static str,
    performed_at: Timestamp,
    performed_by: PersonId,
    #[serde(skip_serializing_if = "Option::is_none")]
    version: Option<u64>,
    body: &'a B,
}

#[derive(Serialize)]
struct Record<'a, B> {
    id: Uuid,
    #[serde(flatten)]
    content: Content<'a, B>,
}

/// Appends one change of reference data; what is projected from it follows in the same transaction.
pub(crate) async fn record<B: Serialize>(
    tx: &mut Tx,
    row: &ReferenceRow<'_, B>,
    yards: Vec<YardId>,
    expected_reference_version: u64,
) -> Result<Appended, StoreError> {
    put(tx, row, yards, expected_reference_version, true).await
}

/// The same for what nobody is judged by through the snapshot of reference data, so that its version stays: keys are
/// looked up one by one, and every tablet makes some each morning. Only whoever reads the whole ledger is sent it.
pub(crate) async fn record_beside<B: Serialize>(
    tx: &mut Tx,
    row: &ReferenceRow<'_, B>,
) -> Result<Appended, StoreError> {
    let version = super::current_version(tx).await?;
    put(tx, row, Vec::new(), version, false).await
}

async fn put<B: Serialize>(
    tx: &mut Tx,
    row: &ReferenceRow<'_, B>,
    yards: Vec<YardId>,
    expected_reference_version: u64,
    bumps_reference: bool,
) -> Result<Appended, StoreError> {
    let now = tx.now();
    let content = Content {
        subject: row.subject,
        kind: row.kind,
        performed_at: now,
        performed_by: row.by,
        version: row.version,
        body: row.body,
    };
    let digest = content_hash(&content)?;
    let ledger_row = LedgerRow {
        id: row.id,
        stream: row.subject,
        kind: row.kind,
        performed_at: now,
        counted_at: now,
        performed_by: row.by,
        recorded_by: row.by,
        device_id: None,
        bytes: canonical::to_bytes(&Record { id: row.id, content })?,
        content_hash: digest,
        outcome: None,
        yards,
    };
    let places = append(tx, vec![ledger_row], expected_reference_version, bumps_reference).await?;
    places.first().copied().ok_or(StoreError::Inconsistent {
        table: "ledger",
        column: "position",
        id: row.id,
        detail: "no row was appended".to_owned(),
    })
}

/// Marks the clamps on which a person wrote anything but tag-outs, which bar whoever writes them: what their entries come to
/// may have changed. Whoever opens bulletins has tagged out more clamps than anybody could look at again.
pub(crate) async fn queue_entries_of(tx: &mut Tx, person: PersonId, cause: u64) -> Result<(), StoreError> {
    sqlx::query(
        "-- reference.queue_entries_of
         insert into pending_reassessment (clamp_id, cause_position)
         select distinct c.id, $2 from ledger l join clamp c on c.id = l.stream
          where l.performed_by = $1 and l.kind <> 'tagged_out'
         on conflict do nothing",
    )
    .bind(person.uuid())
    .bind(cause.cast_signed())
    .execute(&mut **tx)
    .await?;
    Ok(())
}

/// Reads a word of one of the domain's closed lists back from a column.
pub(crate) fn word<W: FromStr<Err = String>>(
    table: &'static str,
    column: &'static str,
    id: Uuid,
    text: &str,
) -> Result<W, StoreError> {
    text.parse().map_err(|detail| StoreError::Inconsistent {
        table,
        column,
        id,
        detail,
    })
}

/// Reads several.
pub(crate) fn words<W: FromStr<Err = String>>(
    table: &'static str,
    column: &'static str,
    id: Uuid,
    texts: &[String],
) -> Result<Vec<W>, StoreError> {
    texts.iter().map(|text| word(table, column, id, text)).collect()
}
