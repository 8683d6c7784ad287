//! `GET /.well-known/jwks.json`.

use crate::extract::Public;
use crate::openapi::PUBLIC;
use crate::reply::{Answer, resource};
use actix_web::http::header::{CACHE_CONTROL, HeaderValue};
use actix_web::{HttpRequest, get};
use utoipa::ToSchema;

/// A JWK set (RFC 7517), as the contract shows it.
#[derive(ToSchema)]
#[expect(dead_code, reason = "the keys are made where they are kept")]
struct KeySet {
    /// The keys that signatures are made with, or were until a moment ago.
    #[schema(value_type = Vec<Object>)]
    keys: Vec<serde_json::Value>,
}

/// The public keys of access tokens
///
/// A JWK set (RFC 7517, RFC 8037). A key's `kid` is its RFC 7638 thumbprint. A new key stands here for a day before it
/// signs, and an old one until every token that it signed is over: read the set again at least every five minutes, and
/// once more when a token names a key that is not in it.
#[utoipa::path(
    operation_id = "public_keys",
    tag = "Sign-in",
    extensions(("x-permission" = json!(PUBLIC))),
    responses((status = 200, description = "The keys.", body = KeySet,
        example = json!({"keys": [{"kty": "OKP", "crv": "Ed25519", "x": "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo",
            "kid": "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k", "use": "sig", "alg": "EdDSA"}]})),
        (status = 304, description = "You have these bytes already."))
)]
#[get("/.well-known/jwks.json")]
pub async fn jwks(call: Public, request: HttpRequest) -> Answer {
    let mut answer = resource(&request, &call.tokens().public_keys(call.store().now()))?;
    answer
        .headers_mut()
        .insert(CACHE_CONTROL, HeaderValue::from_static("public, max-age=300"));
    Ok(answer)
}
