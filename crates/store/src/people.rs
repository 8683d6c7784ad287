//! People: their accounts and competences (reference data, rows of the ledger) and how they prove who they are
//! (secrets, never in the ledger).
//!
//! Which rights a role gives is not decided here, and no secret in plain text ever comes here.

pub mod accounts;
pub mod competences;
pub mod devices;
pub mod service_accounts;
pub mod sessions;
pub mod sign_in;
pub mod throttle;

pub use accounts::{Access, Account, AccountBody, AccountKind};
pub use competences::{CompetenceBody, CompetenceRecord, RevocationBody};
pub(crate) use devices::withdrawn_keys;
pub use devices::{
    DeviceCredentials, DeviceEnd, DeviceRecord, EnrolmentRecord, KeyEnd, LastPush, NewDevice, NewEnrolment,
    NewSigningKey, SigningKeyRecord,
};
pub use service_accounts::{ClientSession, MAX_VALID_SECRETS, NewSecret, SecretRecord};
pub use sessions::{ENDED_SESSIONS_KEPT_DAYS, NewSession, REFRESH_GRACE_SECONDS, Renewed};
pub use sign_in::{Credentials, SetPasswordToken};
pub use throttle::{AccountKey, Attempt, FORGET_HOURS, LONGEST_DELAY_SECONDS, Sweep};

use crate::{CommandError, StoreError};

/// Why a change of people was refused.
#[derive(Debug, thiserror::Error)]
pub enum PeopleError {
    /// The e-mail address is another person's.
    #[error("the e-mail address is taken")]
    EmailTaken,
    /// There is no such person or competence.
    #[error("not found")]
    NotFound,
    /// Somebody changed it meanwhile.
    #[error("the version is stale")]
    Stale,
    /// Nobody records or withdraws their own competence.
    #[error("nobody records their own competence")]
    OwnCompetence,
    /// Withdrawn already from this or an earlier day.
    #[error("withdrawn already from this or an earlier day")]
    AlreadyRevoked,
    /// A service account has as many valid secrets as it may have.
    #[error("two secrets are valid already")]
    SecretsFull,
    /// The code opens nothing.
    #[error("the enrolment code opens nothing")]
    CodeRefused,
    /// The code enrolled a device already.
    #[error("the code enrolled a device already")]
    EnrolmentUsed,
    /// The key is another device's, or another person's or device's signing key.
    #[error("the key is in use already")]
    KeyInUse,
    /// The device is revoked.
    #[error("the device is revoked")]
    DeviceRevoked,
    /// There is an administrator already.
    #[error("there is an administrator already")]
    AdministratorExists,
    /// The store failed.
    #[error(transparent)]
    Store(StoreError),
}

impl From<StoreError> for PeopleError {
    fn from(error: StoreError) -> Self {
        match error.constraint() {
            Some("person_email_is_one_persons") => Self::EmailTaken,
            Some("device_key_is_one_devices" | "signing_key_is_one_persons_on_one_device") => Self::KeyInUse,
            Some("competence_is_never_ones_own") => Self::OwnCompetence,
            _ => Self::Store(error),
        }
    }
}
impl From<sqlx::Error> for PeopleError {
    fn from(error: sqlx::Error) -> Self {
        StoreError::from(error).into()
    }
}
impl CommandError for PeopleError {
    fn store_error(&self) -> Option<&StoreError> {
        match self {
            Self::Store(error) => Some(error),
            _ => None,
        }
    }
}
