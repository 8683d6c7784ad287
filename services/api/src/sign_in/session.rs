//! Signing in and going on: from credentials to an access token and the refresh token that renews it.

use super::passwords::HashError;
use super::tokens::{Subject, Tokens};
use crate::extract::Public;
use crate::random::{self, Secret};
use crate::reply::Failure;
use clampward_domain::ids::PersonId;
use clampward_store::people::{AccountKey, Attempt, NewSession};
use clampward_wire::problem;
use jiff::{SignedDuration, Timestamp, ToSpan};
use serde::Serialize;
use utoipa::ToSchema;

/// How long a person's session lasts, however often it is renewed.
pub const SESSION_HOURS: i64 = 12;
/// Longest e-mail address.
const MAX_EMAIL_BYTES: usize = 254;
/// Prefix of refresh tokens.
const REFRESH_PREFIX: &str = "cwr_";

/// A pair of tokens.
#[derive(Debug, Serialize, ToSchema)]
pub struct TokenAnswer {
    /// Send it as `Authorization: Bearer …`.
    #[schema(examples("eyJhbGciOiJFZERTQSIsInR5cCI6ImF0K2p3dCIsImtpZCI6IuKApiJ9.eyJzdWIiOiLigKYifQ.c2ln"))]
    pub access_token: String,
    /// Always `Bearer`.
    #[schema(examples("Bearer"))]
    pub token_type: &'static str,
    /// Seconds until the access token ends.
    #[schema(examples(900))]
    pub expires_in: i64,
    /// Exchange it once for the next pair before the session ends; it opens nothing else.
    #[schema(examples("cwr_5bGJ3mFqOaXh1C0yB2w9Zt8sKpQe7uVrLdN4xT6kEfA"))]
    pub refresh_token: String,
}

/// Signs a person in by e-mail and password.
///
/// An account whose address nobody has goes the same way with the same work: counted, slowed down and hashed alike.
pub async fn sign_in(call: &Public, email: &str, password: String) -> Result<TokenAnswer, Failure> {
    if !may_be_an_address(email) {
        return Err(wrong());
    }
    let account = AccountKey::of(email);
    let guest = call.hasher().guest(account, call.origin());
    // In a flood most go no further than here.
    call.hasher().look(guest)?;
    // Held until the answer: the next one for this account looks at what this one left.
    let _turn = call.hasher().turn(account).await?;
    if let Some(left) = call.store().wait_for_attempt(&account).await? {
        return Err(too_soon(account, left));
    }
    let place = call.hasher().place(guest).await?;
    let attempts = match call.store().count_attempt(&account).await? {
        Attempt::Counted(attempts) => attempts,
        Attempt::TooSoon(left) => return Err(too_soon(account, left)),
    };
    let known = call.store().credentials(email).await?;
    let hash = known.as_ref().and_then(|known| known.password_hash.clone());
    let person = known.as_ref().map(|known| known.person);
    let matches = call.hasher().verify(place, password, hash.clone()).await?;
    let proven = known.zip(hash).filter(|(known, _)| matches && known.enabled);
    let Some((known, password_hash)) = proven else {
        let person = person.map(tracing::field::display);
        tracing::info!(event = "sign_in_refused", %account, person, attempts, "sign-in refused");
        return Err(wrong());
    };
    tracing::info!(event = "signed_in", %account, person = %known.person, attempts, "signed in");
    call.hasher().remember(account, call.origin());
    start_session(call, known.person, known.grants_version, account, password_hash).await
}

/// Whether an account can have this address: whatever else is typed there, a password perhaps, is not even counted.
fn may_be_an_address(text: &str) -> bool {
    text.len() <= MAX_EMAIL_BYTES
        && text
            .split_once('@')
            .is_some_and(|(name, host)| !name.is_empty() && !host.is_empty())
}

fn wrong() -> Failure {
    Failure::new(problem::WRONG_CREDENTIALS, "E-mail and password do not match.")
}

fn too_soon(account: AccountKey, left: SignedDuration) -> Failure {
    tracing::info!(event = "sign_in_slowed", %account, seconds = left.as_secs(), "sign-in slowed down");
    let failure = Failure::new(
        problem::TOO_MANY_REQUESTS,
        "Too many attempts to sign in to this account without success: wait for the time in Retry-After. Whoever is \
         signed in already goes on.",
    );
    failure.retry_after(left)
}

/// Begins a session.
async fn start_session(
    call: &Public,
    person: PersonId,
    grants_version: u64,
    account: AccountKey,
    password_hash: String,
) -> Result<TokenAnswer, Failure> {
    let now = call.store().now();
    let refresh = Secret::new(REFRESH_PREFIX)?;
    let session = NewSession {
        family: random::id(now)?,
        person,
        token: refresh.digest(),
        expires_at: now.checked_add(SESSION_HOURS.hours()).unwrap_or(Timestamp::MAX),
        account,
        password_hash,
    };
    if !call.store().open_session(&session).await? {
        // The password was set anew, or the account closed, while this one was being checked.
        return Err(wrong());
    }
    let subject = Subject {
        person,
        grants_version,
        session: session.family,
        session_ends: session.expires_at,
    };
    pair(call.tokens(), &subject, now, &refresh)
}

/// Exchanges a refresh token for the next pair.
pub async fn renew(call: &Public, refresh_token: &str) -> Result<TokenAnswer, Failure> {
    let next = Secret::new(REFRESH_PREFIX)?;
    let renewed = call
        .store()
        .renew_session(&random::digest(refresh_token), &next.digest())
        .await?;
    let renewed = renewed
        .ok_or_else(|| Failure::new(problem::SESSION_ENDED, "The session has ended: sign in again."))?;
    let subject = Subject {
        person: renewed.person,
        grants_version: renewed.grants_version,
        session: renewed.family,
        session_ends: renewed.expires_at,
    };
    pair(call.tokens(), &subject, call.store().now(), &next)
}

fn pair(
    tokens: &Tokens,
    subject: &Subject,
    now: Timestamp,
    refresh: &Secret,
) -> Result<TokenAnswer, Failure> {
    let access = tokens
        .issue(subject, random::id(now)?, now)
        .map_err(|error| Failure::internal(&error))?;
    Ok(TokenAnswer {
        access_token: access.text,
        token_type: "Bearer",
        expires_in: access.expires_in,
        refresh_token: refresh.reveal().to_owned(),
    })
}

impl From<HashError> for Failure {
    fn from(error: HashError) -> Self {
        match error {
            HashError::TooBusy => {
                tracing::warn!(
                    event = "sign_in_queue_full",
                    "too many passwords are being checked"
                );
                let detail = "Too many people are signing in at this moment: wait a little and try again.";
                Self::new(problem::TOO_MANY_REQUESTS, detail).retry_after(SignedDuration::from_secs(2))
            }
            HashError::Crowded(_) => {
                let detail =
                    "Somebody is signing in to this account at this moment: wait a little and try again.";
                Self::new(problem::TOO_MANY_REQUESTS, detail).retry_after(SignedDuration::from_secs(1))
            }
            HashError::Failed(_) => Self::internal(&error),
        }
    }
}
