//! What can go wrong on the device itself. Trouble with the service is not a failure: it is part of a report.

/// A failure of the device.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// The database on the device.
    #[error("the device's database: {0}")]
    Database(#[from] rusqlite::Error),
    /// A file.
    #[error("{path}: {cause}")]
    File {
        /// Which.
        path: String,
        /// Why.
        cause: std::io::Error,
    },
    /// What was kept cannot be read.
    #[error("{what} cannot be read: {detail}")]
    Unreadable {
        /// What.
        what: String,
        /// Why.
        detail: String,
    },
    /// Something cannot be written as JSON.
    #[error("not representable: {0}")]
    NotJson(#[from] serde_json::Error),
    /// Something has no canonical form.
    #[error(transparent)]
    NotCanonical(#[from] clampward_domain::canonical::CanonicalError),
    /// The database was written by a newer version.
    #[error(
        "the database was written by a newer version of this program ({0}): use that one; nothing was changed"
    )]
    Newer(i64),
    /// Keys and codes.
    #[error(transparent)]
    Key(#[from] crate::keys::KeyProblem),
    /// Another process is synchronising this folder.
    #[error(
        "another `clampward-field sync` is at work in this folder: let it finish, or end it; nothing was sent or changed"
    )]
    UnderWay,
    /// What the person asked for cannot be done, and what to do.
    #[error("{0}")]
    Refused(String),
}

impl Failure {
    /// A refusal in words.
    pub fn refused(detail: impl Into<String>) -> Self {
        Self::Refused(detail.into())
    }
    /// Something that was kept cannot be read.
    pub fn unreadable(what: impl Into<String>, detail: impl std::fmt::Display) -> Self {
        Self::Unreadable {
            what: what.into(),
            detail: detail.to_string(),
        }
    }
}

/// Done, or a failure.
pub type Done<T = ()> = Result<T, Failure>;
