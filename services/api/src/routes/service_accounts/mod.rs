//! Service accounts: programs that sign in by themselves, with what they may do and the secrets that prove them.

pub mod change;
pub mod create;
pub mod create_secret;
pub mod list;
pub mod list_secrets;
pub mod read;
pub mod revoke_secret;
pub mod view;

use crate::limits::SERVICE_SECRET;
use crate::random::{self, NoRandomness, Secret};
use crate::reply::Failure;
use clampward_domain::ids::PersonId;
use clampward_store::Store;
use clampward_store::people::{Account, AccountKind, NewSecret};
use clampward_wire::problem::{FieldError, Problem};
use jiff::{SignedDuration, Timestamp};

/// Prefix of client secrets.
const SECRET_PREFIX: &str = "cws_";
/// How many characters of a secret are kept to tell it from another, its prefix included.
const SHOWN_CHARS: usize = 8;
/// Longest life of a secret, and its life if nothing else is asked for.
fn max_secret_days() -> u32 {
    SERVICE_SECRET.number() / 24
}

async fn account(store: &Store, id: PersonId) -> Result<Account, Failure> {
    store
        .account_of(AccountKind::Service, id)
        .await?
        .ok_or_else(|| Failure::not_found("service account"))
}

/// Days that a secret may live.
fn secret_days(asked: Option<u32>) -> Result<u32, Failure> {
    let days = asked.unwrap_or(max_secret_days());
    if (1..=max_secret_days()).contains(&days) {
        return Ok(days);
    }
    let error = FieldError::new(
        "/secret_days",
        "out-of-range",
        format!("1 to {}", max_secret_days()),
    );
    Err(Problem::input(vec![error]).into())
}

/// A secret and what is kept of it.
fn new_secret(now: Timestamp, days: u32) -> Result<(Secret, NewSecret), NoRandomness> {
    let secret = Secret::new(SECRET_PREFIX)?;
    let life = SignedDuration::from_hours(i64::from(days) * 24);
    let kept = NewSecret {
        id: random::id(now)?,
        digest: secret.digest(),
        shown: secret.reveal().chars().take(SHOWN_CHARS).collect(),
        expires_at: now.checked_add(life).unwrap_or(Timestamp::MAX),
    };
    Ok((secret, kept))
}
