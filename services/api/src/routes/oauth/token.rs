//! `POST /v1/oauth/token`.

use super::client::{self, Client};
use crate::extract::Public;
use crate::openapi::PUBLIC;
use crate::random;
use crate::reply::{Answer, Failure, ok};
use crate::sign_in::{Assertion, AssertionRefusal, Subject};
use actix_web::http::StatusCode;
use actix_web::http::header::{CACHE_CONTROL, HeaderValue, PRAGMA, WWW_AUTHENTICATE};
use actix_web::{HttpRequest, ResponseError, post, web};
use clampward_domain::ids::PersonId;
use serde::Serialize;
use utoipa::ToSchema;

/// A token request of a service account or a device.
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
    /// For devices, always `urn:ietf:params:oauth:client-assertion-type:jwt-bearer`.
    #[schema(examples("urn:ietf:params:oauth:client-assertion-type:jwt-bearer"))]
    client_assertion_type: Option<String>,
    /// A JWT that the device's key signed (`EdDSA`): `iss` and `sub` are the device's id, `aud` is what the device was told
    /// when it enrolled, `exp` is at most five minutes ahead, `jti` is another one each time.
    #[schema(
        max_length = 4096,
        examples("eyJhbGciOiJFZERTQSIsInR5cCI6IkpXVCJ9.eyJzdWIiOiLigKYifQ.c2ln")
    )]
    client_assertion: Option<String>,
}

/// An access token of a service account or a device.
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

/// Sign in as a service account or a device
///
/// OAuth 2.0 client credentials (RFC 6749 section 4.4): `grant_type=client_credentials`, for a service account with
/// `client_id` and `client_secret` in the form or as `Authorization: Basic`, for a device with `client_assertion_type` and
/// `client_assertion` (RFC 7523 section 2.2). There is no refresh token: ask again. Scopes are not used: what the account may
/// do is recorded with it. Refusals are problem documents that also bear `error` and `error_description` of the RFC.
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
    let subject = match client::read(request, body)? {
        Client::Program { id, secret } => program(call, id, &secret).await?,
        Client::Device(assertion) => device(call, &assertion).await?,
    };
    let now = call.store().now();
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

async fn program(call: &Public, id: PersonId, secret: &str) -> Result<Subject, Failure> {
    let session = call.store().client_session(id, &random::digest(secret)).await?;
    let Some(session) = session else {
        tracing::info!(event = "client_refused", client = %id, "service account refused");
        return Err(client::invalid_client());
    };
    tracing::info!(event = "client_signed_in", person = %session.account, secret = %session.secret, "service account signed in");
    Ok(Subject {
        person: session.account,
        grants_version: session.grants_version,
        session: session.secret,
        session_ends: session.expires_at,
    })
}

async fn device(call: &Public, assertion: &Assertion) -> Result<Subject, Failure> {
    let device = assertion.device();
    let refused = |error: &dyn std::fmt::Display| {
        tracing::info!(event = "client_refused", %device, %error, "device refused");
        client::invalid_client()
    };
    let known = call.store().device_credentials(device).await?;
    let known = known.ok_or_else(|| refused(&"unknown or revoked"))?;
    let now = call.store().now();
    match assertion.check(&known.public_key, call.tokens().issuer(), now) {
        Ok(()) => {}
        Err(AssertionRefusal::Times) => {
            refused(&AssertionRefusal::Times);
            return Err(client::by_another_clock(now));
        }
        Err(error) => return Err(refused(&error)),
    }
    tracing::info!(event = "client_signed_in", %device, "device signed in");
    Ok(Subject {
        person: PersonId::new(device.uuid()),
        grants_version: known.grants_version,
        session: known.session,
        session_ends: known.session_ends,
    })
}
