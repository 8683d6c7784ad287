//! `POST /v1/auth/revoke`.

use super::RefreshRequest;
use crate::extract::{Json, Public};
use crate::openapi::PUBLIC;
use crate::random;
use crate::reply::Answer;
use actix_web::{HttpResponse, post};

/// End a session
///
/// Ends the session of a refresh token at once, with its access tokens. An unknown token ends nothing and is answered
/// alike (RFC 7009).
#[utoipa::path(
    operation_id = "end_session",
    tag = "Sign-in",
    request_body = RefreshRequest,
    extensions(("x-permission" = json!(PUBLIC))),
    responses((status = 204, description = "Ended, or unknown."))
)]
#[post("/v1/auth/revoke")]
pub async fn revoke(call: Public, body: Json<RefreshRequest>) -> Answer {
    call.store()
        .end_session(&random::digest(&body.0.refresh_token))
        .await?;
    Ok(HttpResponse::NoContent().finish())
}
