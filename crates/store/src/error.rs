//! What can go wrong in the store itself. Knows no HTTP and no rule of the trade.

use clampward_domain::canonical::CanonicalError;
use std::sync::Arc;
use uuid::Uuid;

/// SQLSTATE raised by `append_entries` where the reference version moved on.
const REFERENCE_MOVED: &str = "CW001";
/// Serialisation failure and deadlock: PostgreSQL asks for the transaction to be repeated.
const REPEAT: [&str; 2] = ["40001", "40P01"];
/// A lock was not granted within the limit, or a statement ran into its own.
const BUSY: [&str; 2] = [LOCKED, "57014"];
const LOCKED: &str = "55P03";

/// An error of the store.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// Reference data moved on while this transaction judged; it is judged again.
    #[error("reference data moved on while the transaction judged")]
    ReferenceMoved,
    /// PostgreSQL asks for the transaction to be repeated (serialisation failure, deadlock).
    #[error("the database asks for the transaction to be repeated")]
    Repeat(#[source] sqlx::Error),
    /// Two transactions wrote the same id at once; the repeated one finds it.
    #[error("the id was written by another transaction at the same time")]
    IdRaced,
    /// A clamp's number was amended before its lock was held; the repeated transaction locks the new one.
    #[error("a number was amended by another transaction at the same time")]
    NumberMoved,
    /// A lock or statement limit was reached, or no connection is free: try again later.
    #[error("the database is busy")]
    Busy(#[source] sqlx::Error),
    /// A transaction was repeated as often as allowed.
    #[error("transaction {name} gave up after {attempts} attempts")]
    GaveUp {
        /// The transaction's name.
        name: &'static str,
        /// How often it was tried.
        attempts: u32,
        /// The last failure.
        #[source]
        last: Box<StoreError>,
    },
    /// A row says what cannot be: the database is damaged or was written by something else.
    #[error("inconsistent database: table {table}, column {column}, id {id}: {detail}")]
    Inconsistent {
        /// Table.
        table: &'static str,
        /// Column.
        column: &'static str,
        /// The row.
        id: Uuid,
        /// What is wrong.
        detail: String,
    },
    /// A history came back with gaps: nothing is answered from a part of it.
    #[error("of clamp {clamp} {read} entries came back where there are {there}")]
    PartialHistory {
        /// The clamp.
        clamp: Uuid,
        /// How many entries came back.
        read: u64,
        /// How many there are.
        there: u64,
    },
    /// A command came after its unit was over.
    #[error("the transaction that the command belongs to is over")]
    UnitOver,
    /// A value has no canonical form.
    #[error(transparent)]
    Canonical(#[from] CanonicalError),
    /// A projection could not be written as JSON.
    #[error("a state could not be written or read as JSON")]
    Json(#[from] serde_json::Error),
    /// A migration failed.
    #[error("migration failed")]
    Migration(#[from] sqlx::migrate::MigrateError),
    /// A statement that several callers shared failed for all of them.
    #[error(transparent)]
    Shared(Arc<StoreError>),
    /// Anything else from the database.
    #[error("database error")]
    Database(#[source] sqlx::Error),
}

impl StoreError {
    /// Whether the whole transaction may be tried again, judged anew.
    pub fn is_repeatable(&self) -> bool {
        matches!(
            self,
            Self::ReferenceMoved | Self::Repeat(_) | Self::IdRaced | Self::NumberMoved
        )
    }
    /// Whether what is stored cannot be read: the same would fail again, whenever and by whomever it is tried.
    pub fn is_of_the_data(&self) -> bool {
        match self {
            Self::Database(error) => {
                matches!(error, sqlx::Error::ColumnDecode { .. } | sqlx::Error::Decode(_))
            }
            Self::Inconsistent { .. } | Self::Json(_) => true,
            Self::Shared(error) => error.is_of_the_data(),
            _ => false,
        }
    }
    /// Whether the database has too much to do just now.
    pub fn is_busy(&self) -> bool {
        match self {
            Self::Busy(_) | Self::GaveUp { .. } | Self::Repeat(_) => true,
            Self::Shared(error) => error.is_busy(),
            _ => false,
        }
    }
    /// Whether somebody else held a row for longer than one may wait for it.
    pub fn is_locked(&self) -> bool {
        match self {
            Self::Busy(error) => error
                .as_database_error()
                .and_then(|error| error.code())
                .is_some_and(|code| code == LOCKED),
            Self::Shared(error) => error.is_locked(),
            _ => false,
        }
    }
    /// Whether the database cannot be reached, as opposed to having refused something.
    pub fn is_away(&self) -> bool {
        let error = match self {
            Self::Database(error) => error,
            Self::Shared(error) => return error.is_away(),
            _ => return false,
        };
        match error {
            sqlx::Error::Io(_)
            | sqlx::Error::Tls(_)
            | sqlx::Error::PoolClosed
            | sqlx::Error::WorkerCrashed => true,
            // Shutting down, starting up, too many connections, connection failures.
            sqlx::Error::Database(error) => error
                .code()
                .is_some_and(|code| code.starts_with("08") || code.starts_with("57P") || code == "53300"),
            _ => false,
        }
    }
    /// The named constraint that the database refused by, if it was one.
    pub fn constraint(&self) -> Option<&str> {
        match self {
            Self::Database(sqlx::Error::Database(error)) => error.constraint(),
            _ => None,
        }
    }
}

impl From<sqlx::Error> for StoreError {
    fn from(error: sqlx::Error) -> Self {
        if matches!(error, sqlx::Error::PoolTimedOut) {
            return Self::Busy(error);
        }
        let Some(database) = error.as_database_error() else {
            return Self::Database(error);
        };
        if database.constraint() == Some("ledger_id_is_used_once") {
            return Self::IdRaced;
        }
        match database.code().as_deref() {
            Some(REFERENCE_MOVED) => Self::ReferenceMoved,
            Some(code) if REPEAT.contains(&code) => Self::Repeat(error),
            Some(code) if BUSY.contains(&code) => Self::Busy(error),
            _ => Self::Database(error),
        }
    }
}
