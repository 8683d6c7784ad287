//! `POST /v1/auth/refresh`.

use super::RefreshRequest;
use crate::extract::{Json, Public};
use crate::openapi::PUBLIC;
use crate::reply::{Answer, ok};
use crate::sign_in::{TokenAnswer, renew};
use actix_web::post;

/// Renew the tokens
///
/// A refresh token is good for one use. Use of one that was used before ends the whole session, because somebody else
/// may hold a copy. Where the answer was lost on its way, the same token may be sent again within 60 seconds: it gets a
/// new pair while the lost one was not used, and the lost refresh token then opens nothing any more.
#[utoipa::path(
    operation_id = "renew_tokens",
    tag = "Sign-in",
    request_body = RefreshRequest,
    extensions(("x-permission" = json!(PUBLIC)), ("x-problems" = json!(["session-ended"]))),
    responses((status = 200, description = "The next pair of tokens.", body = TokenAnswer))
)]
#[post("/v1/auth/refresh")]
pub async fn refresh(call: Public, body: Json<RefreshRequest>) -> Answer {
    ok(&renew(&call, &body.0.refresh_token).await?)
}
