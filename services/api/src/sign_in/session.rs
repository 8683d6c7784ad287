//! Signing in and going on: from credentials to an access token and the refresh token that renews it.

use super::passwords::HashError;
use super::tokens::{Subject, Tokens};
use crate::extract::Public;
use crate::random::{self, Secret};
use crate::reply::Failure;
use clampward_domain::ids::PersonId;
use clampward_store::people::NewSession;
use clampward_wire::problem;
use jiff::{Timestamp, ToSpan};
use serde::Serialize;
use utoipa::ToSchema;

/// How long a person's session lasts, however often it is renewed.
const SESSION_HOURS: i64 = 12;
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
pub async fn sign_in(call: &Public, email: &str, password: String) -> Result<TokenAnswer, Failure> {
    let known = call.store().credentials(email).await?;
    let hash = known.as_ref().and_then(|known| known.password_hash.clone());
    let matches = call.hasher().verify(password, hash).await?;
    let person = known.filter(|known| matches && known.enabled);
    let Some(person) = person else {
        tracing::info!("sign-in refused");
        return Err(Failure::new(
            problem::WRONG_CREDENTIALS,
            "E-mail and password do not match.",
        ));
    };
    tracing::info!(person = %person.person, "signed in");
    start_session(call, person.person, person.grants_version).await
}

/// Begins a session.
async fn start_session(call: &Public, person: PersonId, grants_version: u64) -> Result<TokenAnswer, Failure> {
    let now = call.store().now();
    let refresh = Secret::new(REFRESH_PREFIX)?;
    let session = NewSession {
        family: random::id(now)?,
        person,
        token: refresh.digest(),
        expires_at: now.checked_add(SESSION_HOURS.hours()).unwrap_or(Timestamp::MAX),
    };
    call.store().open_session(&session).await?;
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

fn pair(tokens: &Tokens, subject: &Subject, now: Timestamp, refresh: &Secret) -> Result<TokenAnswer, Failure> {
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
            HashError::TooBusy => Self::new(
                problem::TOO_MANY_REQUESTS,
                "Too many people are signing in at this moment: wait a little and try again.",
            ),
            HashError::Failed(_) => Self::internal(&error),
        }
    }
}
