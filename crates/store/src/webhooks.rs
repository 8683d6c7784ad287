//! Webhooks: endpoints that are told of events, and the deliveries that they get.
//!
//! An endpoint reads the ledger on by position ([`crate::Store::read_on_for_webhooks`]); nothing is written for it when an entry
//! is recorded. What it is to be told is noted as deliveries, in the transaction that moves how far it has come, under ids that
//! are derived: however often and by however many it is tried, each event is there once. A delivery is leased
//! ([`crate::Store::claim_delivery`]), made outside any transaction, and ended by whoever still holds the lease. Of one clamp
//! nothing overtakes what was before it; other clamps do not wait for it.

mod deliver;
mod ended;
mod endpoints;
mod list;
mod read_on;
mod redeliver;
mod secrets;

pub use deliver::Delivery;
pub use list::DeliveryRecord;
pub use read_on::KEPT_FOR;
pub use redeliver::MAX_REDELIVERED;
pub use secrets::{KEYS_BYTES, MAX_SECRETS, NewKeys, WebhookSecret};

use crate::StoreError;
use crate::tx::CommandError;
use clampward_domain::ids::PersonId;
use clampward_domain::webhook::{EventType, PausedBecause};
use jiff::Timestamp;
use uuid::Uuid;

/// Most endpoints.
pub const MAX_ENDPOINTS: i64 = 20;

/// What an endpoint is told, and where.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EndpointBody {
    /// Where to.
    pub url: String,
    /// What it is for.
    pub description: String,
    /// Of what it is told.
    pub events: Vec<EventType>,
    /// Why it is told nothing at present.
    pub paused: Option<PausedBecause>,
}

/// An endpoint.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Endpoint {
    /// Its id.
    pub id: Uuid,
    /// Version, from 1.
    pub version: u64,
    /// What it says.
    pub body: EndpointBody,
    /// When it was recorded.
    pub created_at: Timestamp,
    /// By whom.
    pub created_by: PersonId,
    /// When it was changed last.
    pub changed_at: Timestamp,
}

/// How it goes with an endpoint.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EndpointStatus {
    /// How far the ledger was read for it.
    pub position: u64,
    /// How far the ledger goes.
    pub head: u64,
    /// Deliveries that are still to be made.
    pub waiting: u64,
    /// Since when the oldest of them waits.
    pub waiting_since: Option<Timestamp>,
    /// Deliveries that were given up and not asked for again.
    pub given_up: u64,
    /// Since when nothing could be delivered.
    pub failing_since: Option<Timestamp>,
    /// Why not.
    pub last_error: Option<String>,
    /// When the next attempt is made, if it is waited for.
    pub next_try_at: Option<Timestamp>,
    /// When something was delivered last.
    pub delivered_at: Option<Timestamp>,
}

/// Why something about an endpoint was refused.
#[derive(Debug, thiserror::Error)]
pub enum WebhookError {
    /// There is no such endpoint, or no such event among what is kept for it.
    #[error("not found")]
    NotFound,
    /// Somebody changed it meanwhile.
    #[error("the version is stale")]
    Stale,
    /// There are as many endpoints as there may be.
    #[error("there are as many endpoints as there may be")]
    EndpointsFull,
    /// More than may be told again at once.
    #[error("more events than may be told again at once")]
    TooMany,
    /// Two secrets are valid already.
    #[error("two secrets are valid already")]
    SecretsFull,
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl From<sqlx::Error> for WebhookError {
    fn from(error: sqlx::Error) -> Self {
        StoreError::from(error).into()
    }
}
impl CommandError for WebhookError {
    fn store_error(&self) -> Option<&StoreError> {
        match self {
            Self::Store(error) => Some(error),
            _ => None,
        }
    }
}
