//! `POST /v1/auth/token`.

use crate::extract::{Json, Public};
use crate::openapi::PUBLIC;
use crate::reply::{Answer, Failure, ok};
use crate::sign_in::{MAX_PASSWORD_CHARS, TokenAnswer, sign_in};
use actix_web::post;
use clampward_wire::problem;
use serde::Deserialize;
use utoipa::ToSchema;

/// Who signs in.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TokenRequest {
    /// The account's e-mail address; case does not matter.
    #[schema(max_length = 254, examples("mara.lind@halvorsund.example"))]
    email: String,
    /// The password.
    #[schema(format = Password, max_length = 256, examples("five plain words do nicely"))]
    password: String,
}

/// Sign in
///
/// Answers an access token for 15 minutes and a refresh token that renews it for up to 12 hours. Whether the address or
/// the password was wrong is not said. After five attempts without success an account has to wait 1, 2, 4 … seconds, at
/// most a quarter of an hour, before the next password is looked at; 429 says how long. Nobody is barred for good, and
/// who is signed in already goes on.
#[utoipa::path(
    operation_id = "sign_in",
    tag = "Sign-in",
    request_body = TokenRequest,
    extensions(("x-permission" = json!(PUBLIC)), ("x-problems" = json!(["wrong-credentials", "too-many-requests"]))),
    responses((status = 200, description = "Signed in.", body = TokenAnswer))
)]
#[post("/v1/auth/token")]
pub async fn token(call: Public, body: Json<TokenRequest>) -> Answer {
    let TokenRequest { email, password } = body.0;
    if password.chars().count() > MAX_PASSWORD_CHARS {
        return Err(Failure::new(
            problem::WRONG_CREDENTIALS,
            "E-mail and password do not match.",
        ));
    }
    ok(&sign_in(&call, &email.trim().to_lowercase(), password).await?)
}
