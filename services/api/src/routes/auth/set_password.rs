//! `POST /v1/auth/set-password`.

use crate::extract::{Json, Public};
use crate::openapi::PUBLIC;
use crate::random;
use crate::reply::{Answer, Failure};
use crate::sign_in::{Guest, check_password};
use actix_web::{HttpResponse, post};
use clampward_store::people::PeopleError;
use clampward_wire::problem::{self, FieldError, Problem};
use serde::Deserialize;
use utoipa::ToSchema;

/// A one-time token and the password that it sets.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SetPasswordRequest {
    /// The one-time token that an administrator handed over.
    #[schema(max_length = 200, examples("cwp_Zt8sKpQe7uVrLdN4xT6kEfA5bGJ3mFqOaXh1C0yB2w9"))]
    token: String,
    /// The new password: 15 to 256 characters, any characters; a few words do nicely. Not made of common words, of your
    /// name or address, of the yards' names, of rows of the keyboard or of repetitions alone.
    #[schema(format = Password, min_length = 15, max_length = 256, examples("five plain words do nicely"))]
    password: String,
}

/// Set one's password
///
/// By the one-time token that came with the account: nobody sets another's password. Ends every session of the person at
/// once.
#[utoipa::path(
    operation_id = "set_password",
    tag = "Sign-in",
    request_body = SetPasswordRequest,
    extensions(("x-permission" = json!(PUBLIC)), ("x-problems" = json!(["set-password-token-invalid", "too-many-requests"]))),
    responses((status = 204, description = "Set; sign in with it."))
)]
#[post("/v1/auth/set-password")]
pub async fn set_password(call: Public, body: Json<SetPasswordRequest>) -> Answer {
    let SetPasswordRequest { token, password } = body.0;
    let digest = random::digest(&token);
    // Looked at before hashing, so that guessed tokens cost nothing; used up after it, in one statement.
    let person = call
        .store()
        .set_password_token_of(&digest)
        .await?
        .ok_or_else(invalid)?;
    let context = call.store().password_context(person).await?;
    check_password(&password, context.iter().map(String::as_str))
        .map_err(|detail| Problem::input(vec![FieldError::new("/password", "weak-password", detail)]))?;
    let guest = Guest {
        origin: call.origin(),
        // Whoever holds a one-time token is expected.
        familiar: true,
    };
    let place = call.hasher().place(guest).await?;
    let hash = call.hasher().hash(place, password).await?;
    call.store()
        .set_password(&digest, &hash)
        .await
        .map_err(|error| match error {
            PeopleError::NotFound => invalid(),
            other => other.into(),
        })?;
    tracing::info!(event = "password_set", %person, "password set");
    Ok(HttpResponse::NoContent().finish())
}

fn invalid() -> Failure {
    Failure::new(
        problem::SET_PASSWORD_TOKEN_INVALID,
        "The one-time token is unknown, used or expired: ask for a new one.",
    )
}
