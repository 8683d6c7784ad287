//! Webhook endpoints on the wire.

use crate::reply::{Cells, Columns};
use clampward_domain::ids::PersonId;
use clampward_domain::webhook::{DeliveryState, EventType, PausedBecause};
use clampward_store::webhooks::{DeliveryRecord, Endpoint, EndpointStatus, WebhookSecret};
use jiff::Timestamp;
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

/// A program that is told of events.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct WebhookEndpointView {
    /// Its id.
    pub id: Uuid,
    /// Version, from 1. It also rises when the service pauses the endpoint.
    #[schema(minimum = 1)]
    pub version: u64,
    /// Where events are posted to.
    #[schema(max_length = 1000, examples("https://erp.halvorsund.example/clampward"))]
    pub url: String,
    /// What it is for.
    #[schema(
        max_length = 200,
        examples("Plant ERP: counts of clamps that are out of service")
    )]
    pub description: String,
    /// Of what it is told.
    #[schema(max_items = 20)]
    pub events: Vec<EventType>,
    /// Why it is told nothing at present; null while it is told.
    #[schema(required = true)]
    pub paused_because: Option<PausedBecause>,
    /// When it was recorded.
    pub created_at: Timestamp,
    /// By whom.
    pub created_by: PersonId,
    /// When it was changed last.
    pub changed_at: Timestamp,
}

impl From<Endpoint> for WebhookEndpointView {
    fn from(endpoint: Endpoint) -> Self {
        Self {
            id: endpoint.id,
            version: endpoint.version,
            url: endpoint.body.url,
            description: endpoint.body.description,
            events: endpoint.body.events,
            paused_because: endpoint.body.paused,
            created_at: endpoint.created_at,
            created_by: endpoint.created_by,
            changed_at: endpoint.changed_at,
        }
    }
}

/// A secret that was just handed out.
#[derive(Serialize, ToSchema)]
pub struct HandedOutKeys {
    /// The secret's id.
    pub secret_id: Uuid,
    /// The secret for signatures `v1` (HMAC-SHA256): it is shown here only.
    #[schema(examples("whsec_C2FVsBQIhrscChlQIMV+b5sSYspob7oDC2FVsBQIhrs="))]
    pub secret: String,
    /// The public key for signatures `v1a` (Ed25519); with it alone nobody can sign.
    #[schema(examples("whpk_11qYAYKxCrfVS/7TyWQHOg7hcvPapiMlrwIaaPcHURo="))]
    pub public_key: String,
}

/// What is known of a secret: not the secret.
#[derive(Serialize, ToSchema)]
pub struct WebhookSecretView {
    /// Its id.
    id: Uuid,
    /// Since when.
    created_at: Timestamp,
    /// By whom.
    created_by: PersonId,
    /// Until when it signs; null for the one that goes on.
    #[schema(required = true)]
    expires_at: Option<Timestamp>,
}

impl From<WebhookSecret> for WebhookSecretView {
    fn from(secret: WebhookSecret) -> Self {
        Self {
            id: secret.id,
            created_at: secret.created_at,
            created_by: secret.created_by,
            expires_at: secret.expires_at,
        }
    }
}

/// How it goes with an endpoint.
#[derive(Serialize, ToSchema)]
pub struct WebhookStatusView {
    /// Why it is told nothing at present; null while it is told.
    #[schema(required = true)]
    paused_because: Option<PausedBecause>,
    /// Position in the ledger up to which what it is to be told is noted.
    position: u64,
    /// The ledger's last position.
    head: u64,
    /// Deliveries that are still to be made.
    waiting: u64,
    /// Since when the oldest of them waits; null if none does.
    #[schema(required = true)]
    waiting_since: Option<Timestamp>,
    /// Deliveries of the last thirty days that were given up and not asked for again.
    given_up: u64,
    /// Since when nothing could be delivered; null if the last attempt was taken.
    #[schema(required = true)]
    failing_since: Option<Timestamp>,
    /// Why not; null if the last attempt was taken.
    #[schema(required = true, examples("it answered 503 Service Unavailable"))]
    last_error: Option<String>,
    /// When the next attempt is made; null if nothing waits.
    #[schema(required = true)]
    next_try_at: Option<Timestamp>,
    /// When something was delivered last, to within ten seconds; null if nothing was.
    #[schema(required = true)]
    delivered_at: Option<Timestamp>,
    /// Secrets that sign at present, the newest first.
    #[schema(max_items = 2)]
    secrets: Vec<WebhookSecretView>,
}

impl WebhookStatusView {
    pub(super) fn of(endpoint: &Endpoint, status: EndpointStatus, secrets: Vec<WebhookSecret>) -> Self {
        Self {
            paused_because: endpoint.body.paused,
            position: status.position,
            head: status.head,
            waiting: status.waiting,
            waiting_since: status.waiting_since,
            given_up: status.given_up,
            failing_since: status.failing_since,
            last_error: status.last_error,
            next_try_at: status.next_try_at,
            delivered_at: status.delivered_at,
            secrets: secrets.into_iter().map(WebhookSecretView::from).collect(),
        }
    }
}

/// What became of telling an endpoint of one event.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct WebhookDeliveryView {
    /// The event: the same in every attempt, as the header `webhook-id`.
    pub event_id: Uuid,
    /// Its type.
    pub r#type: EventType,
    /// When what it tells of happened.
    pub happened_at: Timestamp,
    /// What became of it.
    pub state: DeliveryState,
    /// Attempts so far.
    pub attempts: u32,
    /// When it is tried next; null if it is not.
    #[schema(required = true)]
    pub next_try_at: Option<Timestamp>,
    /// What the endpoint answered last; null if it did not.
    #[schema(required = true, minimum = 100, maximum = 599)]
    pub last_status: Option<u16>,
    /// Why it did not take it; null if it did, or was not asked yet.
    #[schema(required = true)]
    pub last_error: Option<String>,
    /// When it was taken or given up; null while it waits.
    #[schema(required = true)]
    pub ended_at: Option<Timestamp>,
}

impl From<DeliveryRecord> for WebhookDeliveryView {
    fn from(delivery: DeliveryRecord) -> Self {
        Self {
            event_id: delivery.event,
            r#type: delivery.kind,
            happened_at: delivery.happened_at,
            state: delivery.state,
            attempts: delivery.attempts,
            next_try_at: delivery.next_try_at,
            last_status: delivery.last_status,
            last_error: delivery.last_error,
            ended_at: delivery.ended_at,
        }
    }
}

impl Columns for WebhookDeliveryView {
    const NAMES: &'static [&'static str] = &[
        "event_id",
        "type",
        "happened_at",
        "state",
        "attempts",
        "next_try_at",
        "last_status",
        "last_error",
        "ended_at",
    ];
    fn cells(&self, row: &mut Cells<'_>) {
        row.plain(self.event_id)
            .plain(self.r#type)
            .plain(self.happened_at)
            .plain(self.state)
            .plain(self.attempts)
            .maybe(self.next_try_at)
            .maybe(self.last_status)
            .maybe_text(self.last_error.as_deref())
            .maybe(self.ended_at);
    }
}
