//! Why something about a bulletin was refused.

use super::Progress;
use crate::StoreError;
use crate::tx::CommandError;

/// Why something about a bulletin was refused.
#[derive(Debug, thiserror::Error)]
pub enum BulletinError {
    /// The issuer has a bulletin of this number.
    #[error("the bulletin was opened already")]
    Taken,
    /// There is no such bulletin.
    #[error("not found")]
    NotFound,
    /// It is closed.
    #[error("the bulletin is closed")]
    Closed,
    /// Not every clamp is accounted for.
    #[error("not every clamp is accounted for")]
    NotAccountedFor(Box<Progress>),
    /// The bulletin does not hold this clamp.
    #[error("the bulletin does not hold this clamp")]
    NotHeld,
    /// The store failed.
    #[error(transparent)]
    Store(StoreError),
}

impl From<StoreError> for BulletinError {
    fn from(error: StoreError) -> Self {
        match error.constraint() {
            Some("bulletin_is_one_of_its_issuer") => Self::Taken,
            _ => Self::Store(error),
        }
    }
}
impl From<sqlx::Error> for BulletinError {
    fn from(error: sqlx::Error) -> Self {
        StoreError::from(error).into()
    }
}
impl CommandError for BulletinError {
    fn store_error(&self) -> Option<&StoreError> {
        match self {
            Self::Store(error) => Some(error),
            _ => None,
        }
    }
}
