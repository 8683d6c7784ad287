//! `POST /v1/oauth/token`.

use super::client;
use crate::extract::Public;
use crate::openapi::PUBLIC;
use crate::random;
use crate::reply::{Answer, Failure, ok};
use crate::sign_in::Subject;
use actix_web::http::StatusCode;
use actix_web::http::header::{CACHE_CONTROL, HeaderValue, PRAGMA, WWW_AUTHENTICATE};
use actix_web::{HttpRequest, ResponseError, post, web};
use serde::Serialize;
use utoipa::ToSchema;

/// A token request of a service account.
#[derive(ToSchema)]
#[expect(dead_code, reason = "the published form of what `client` reads by hand")]
pub struct ClientCredentialsRequest {
    /// Always `client_credentials`.
    #[schema(examples("client_credentials"))]
    grant_type: String,
    /// The service account's id, unless it is in the header Authorization.
    #[schema(examples("01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10"))]
    client_id: Option<String>,
    /// Its secret, unless it is in the header Authorization.
    #[schema(format = Password, examples("cws_Zt8sKpQe7uVrLdN4xT6kEfA5bGJ3mFqOaXh1C0yB2w9"))]
    client_secret: Option<String>,
}

/// An access token of a service account.
#[derive(Serialize, ToSchema)]
pub struct ClientTokenAnswer {
    /// Send it as `Authorization: Bearer …`.
    #[schema(examples("eyJhbGciOiJFZERTQSIsInR5cCI6ImF0K2p3dCIsImtpZCI6IuKApiJ9.eyJzdWIiOiLigKYifQ.c2ln"))]
    access_token: String,
    /// Always `Bearer`.
    #[schema(examples("Bearer"))]
    token_type: &'static str,
    /// Seconds until it ends; ask for the next one a little before.
    #[schema(examples(900))]
    expires_in: i64,
}

/// Sign in as a service account
///
/// OAuth 2.0 client credentials (RFC 6749 section 4.4): `grant_type=client_credentials` with `client_id` and `client_secret`
/// in the form or as `Authorization: Basic`. There is no refresh token: ask again. Scopes are not used: what the account
/// may do is recorded with it. Refusals are problem documents that also bear `error` and `error_description` of the RFC.
#[utoipa::path(
    operation_id = "client_token",
    tag = "Sign-in",
    request_body(content = ClientCredentialsRequest, content_type = "application/x-www-form-urlencoded"),
    extensions(("x-permission" = json!(PUBLIC)),
        ("x-problems" = json!(["invalid-client", "invalid-token-request", "unsupported-grant-type"]))),
    responses((status = 200, description = "Signed in.", body = ClientTokenAnswer))
)]
#[post("/v1/oauth/token")]
pub async fn token(call: Public, request: HttpRequest, body: web::Bytes) -> Answer {
    match hand_out(&call, &request, &body).await {
        // RFC 6749 section 5.2: the scheme by which a client may prove itself.
        Err(refused) if refused.status_code() == StatusCode::UNAUTHORIZED => {
            let mut answer = refused.error_response();
            let scheme = HeaderValue::from_static("Basic realm=\"clampward\"");
            answer.headers_mut().insert(WWW_AUTHENTICATE, scheme);
            Ok(answer)
        }
        other => other,
    }
}

async fn hand_out(call: &Public, request: &HttpRequest, body: &[u8]) -> Answer {
    let client = client::read(request, body)?;
    let session = call
        .store()
        .client_session(client.id, &random::digest(&client.secret))
        .await?;
    let Some(session) = session else {
        tracing::info!(event = "client_refused", client = %client.id, "service account refused");
        return Err(client::invalid_client());
    };
    tracing::info!(event = "client_signed_in", person = %session.account, secret = %session.secret, "service account signed in");
    let now = call.store().now();
    let subject = Subject {
        person: session.account,
        grants_version: session.grants_version,
        session: session.secret,
        session_ends: session.expires_at,
    };
    let access = call
        .tokens()
        .issue(&subject, random::id(now)?, now)
        .map_err(|error| Failure::internal(&error))?;
    let mut answer = ok(&ClientTokenAnswer {
        access_token: access.text,
        token_type: "Bearer",
        expires_in: access.expires_in,
    })?;
    // RFC 6749 section 5.1 asks for both.
    for (name, value) in [(CACHE_CONTROL, "no-store"), (PRAGMA, "no-cache")] {
        answer.headers_mut().insert(name, HeaderValue::from_static(value));
    }
    Ok(answer)
}
