//! Webhook endpoints: programs that are told of events, what they are told, and what became of it. Nothing here calls anybody:
//! that is the worker's.

pub mod change;
pub mod create;
pub mod create_secret;
pub mod deliveries;
pub mod list;
pub mod read;
pub mod redeliver;
pub mod remove;
pub mod status;
pub mod test;
pub mod view;

use crate::extract::Authorized;
use crate::permission::Permission;
use crate::random::{self, NoRandomness};
use crate::reply::Failure;
use clampward_domain::webhook::EventType;
use clampward_process::webhook_keys::WebhookKeys;
use clampward_store::webhooks::{
    Endpoint, EndpointBody, MAX_ENDPOINTS, MAX_REDELIVERED, NewKeys, WebhookError,
};
use clampward_wire::problem::{self, FieldError, Problem};
use uuid::Uuid;
use view::HandedOutKeys;

/// Longest description.
const MAX_DESCRIPTION: usize = 200;

impl From<WebhookError> for Failure {
    fn from(error: WebhookError) -> Self {
        match error {
            WebhookError::NotFound => Self::not_found("webhook endpoint"),
            WebhookError::Stale => Self::new(
                problem::VERSION_STALE,
                "It was changed meanwhile: read it again and repeat your change.",
            ),
            WebhookError::EndpointsFull => Self::new(
                problem::ENDPOINTS_FULL,
                format!("There are {MAX_ENDPOINTS} endpoints already: remove one that is not used any more."),
            ),
            WebhookError::TooMany => {
                let detail = format!("at most {MAX_REDELIVERED} events at once: ask for a shorter time");
                Problem::input(vec![FieldError::new("/from", "too-many", detail)]).into()
            }
            WebhookError::SecretsFull => Self::new(
                problem::SECRETS_FULL,
                "Two secrets are valid already: wait until the older one ends, or end both with old_valid_hours 0.",
            ),
            WebhookError::Store(error) => error.into(),
        }
    }
}

async fn endpoint<P: Permission>(call: &Authorized<P>, id: Uuid) -> Result<Endpoint, Failure> {
    let endpoint = call.store().webhook_endpoint(id).await?;
    endpoint.ok_or_else(|| Failure::not_found("webhook endpoint"))
}

/// Refuses what an endpoint cannot say, with every fault that it has.
fn check<P: Permission>(call: &Authorized<P>, body: &EndpointBody, is_new_url: bool) -> Result<(), Failure> {
    let mut errors = Vec::new();
    if is_new_url && let Err(error) = call.webhook_targets().check(&body.url) {
        errors.push(FieldError::new("/url", "no-target", error.to_string()));
    }
    let length = body.description.chars().count();
    if body.description.trim().is_empty() || length > MAX_DESCRIPTION {
        let detail = format!("1 to {MAX_DESCRIPTION} characters");
        errors.push(FieldError::new("/description", "out-of-range", detail));
    }
    if body.events.is_empty() {
        errors.push(FieldError::new(
            "/events",
            "empty",
            "name at least one type of event",
        ));
    }
    for (index, event) in body.events.iter().enumerate() {
        let pointer = format!("/events/{index}");
        if !event.is_subscribed() {
            let detail = format!("{event} is sent only when somebody asks for it");
            errors.push(FieldError::new(pointer, "not-subscribed", detail));
        } else if body.events.iter().take(index).any(|other| other == event) {
            errors.push(FieldError::new(
                pointer,
                "named-twice",
                format!("{event} is named already"),
            ));
        }
    }
    if errors.is_empty() {
        return Ok(());
    }
    Err(Problem::input(errors).into())
}

/// Every type that an endpoint can be told of.
fn every_event() -> Vec<EventType> {
    EventType::ALL
        .iter()
        .copied()
        .filter(|event| event.is_subscribed())
        .collect()
}

/// A new secret, and the answer that alone shows it.
fn new_keys<P: Permission>(call: &Authorized<P>) -> Result<(NewKeys, HandedOutKeys), Failure> {
    let kept = NewKeys {
        id: call.new_id()?,
        bytes: random::bytes()?,
    };
    let keys = WebhookKeys::new(&kept.bytes).map_err(|_| NoRandomness)?;
    let shown = HandedOutKeys {
        secret_id: kept.id,
        secret: keys.secret(),
        public_key: keys.public_key(),
    };
    Ok((kept, shown))
}
