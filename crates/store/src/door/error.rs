//! Why the door records nothing. Always names the entry.

use crate::StoreError;
use crate::tx::CommandError;
use clampward_domain::entry::InputError;
use clampward_domain::ids::EntryId;
use clampward_domain::judge::Refusal;

/// Why nothing was recorded.
#[derive(Debug, thiserror::Error)]
pub enum RecordError {
    /// The clamp is not there, or not in the author's yards: the two are not told apart.
    #[error("entry {entry}: no such clamp in your yards")]
    NotFound {
        /// The entry.
        entry: EntryId,
    },
    /// The id was used before, for other content or by somebody else.
    #[error("entry {entry}: its id was used before for something else")]
    IdReused {
        /// The entry.
        entry: EntryId,
    },
    /// The rules refuse it.
    #[error("entry {entry} is refused")]
    Refused {
        /// The entry.
        entry: EntryId,
        /// Every reason.
        refusals: Vec<Refusal>,
    },
    /// Another clamp bears the number that it gives; a retired one too.
    #[error("entry {entry}: another clamp of this maker bears this number")]
    NumberTaken {
        /// The entry.
        entry: EntryId,
    },
    /// It is malformed.
    #[error("entry {entry} is malformed")]
    Malformed {
        /// The entry.
        entry: EntryId,
        /// Every fault.
        errors: Vec<InputError>,
    },
    /// More entries than one recording takes.
    #[error("{0} entries are more than one recording takes")]
    TooMany(usize),
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl CommandError for RecordError {
    fn store_error(&self) -> Option<&StoreError> {
        match self {
            Self::Store(error) => Some(error),
            Self::NotFound { .. }
            | Self::IdReused { .. }
            | Self::Refused { .. }
            | Self::NumberTaken { .. }
            | Self::Malformed { .. }
            | Self::TooMany(_) => None,
        }
    }
}

impl From<sqlx::Error> for RecordError {
    fn from(error: sqlx::Error) -> Self {
        Self::Store(error.into())
    }
}
