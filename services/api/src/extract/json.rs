//! JSON bodies, read strictly after the caller was let in.

use super::gate::Gate;
use crate::idempotency::IDEMPOTENCY_KEY;
use crate::limits::{self, Limit};
use crate::reply::Failure;
use actix_web::dev::Payload;
use actix_web::http::header::CONTENT_TYPE;
use actix_web::web::{Bytes, BytesMut};
use actix_web::{FromRequest, HttpMessage, HttpRequest};
use clampward_domain::canonical;
use clampward_wire::json::{from_value, parse};
use clampward_wire::problem::{self, Problem};
use futures_util::StreamExt;
use serde::de::DeserializeOwned;
use serde_json::Value;
use std::future::Future;
use std::pin::Pin;
use utoipa::ToSchema;

/// Media type of a JSON body.
const JSON: &str = "application/json";
/// Media type of a partial change (RFC 7396).
const MERGE_PATCH: &str = "application/merge-patch+json";

/// A JSON body.
pub struct Json<T>(pub T);

/// A JSON body of a push, as it came: its reader takes it apart.
pub struct RawJson(pub Bytes);

/// A JSON body that is strictly read, but has no type of its own: a partial change, laid over what is there.
pub struct PartialJson(pub Value);

impl<T: DeserializeOwned + ToSchema + 'static> FromRequest for Json<T> {
    type Error = Failure;
    type Future = Pin<Box<dyn Future<Output = Result<Self, Failure>>>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let parsed = parsed(request, payload);
        Box::pin(async move { Ok(Self(from_value(&parsed.await?).map_err(Problem::from)?)) })
    }
}

impl FromRequest for PartialJson {
    type Error = Failure;
    type Future = Pin<Box<dyn Future<Output = Result<Self, Failure>>>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let parsed = parsed(request, payload);
        Box::pin(async move { Ok(Self(parsed.await?)) })
    }
}

impl FromRequest for RawJson {
    type Error = Failure;
    type Future = Pin<Box<dyn Future<Output = Result<Self, Failure>>>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let gate = Gate::of(request);
        let media = media_type(request);
        let mut payload = payload.take();
        Box::pin(async move {
            Gate::passed(gate).await;
            media?;
            let most = limits::PUSH_BYTES;
            let mut bytes = BytesMut::new();
            while let Some(piece) = payload.next().await {
                let piece = piece.map_err(|error| unreadable(&error.into(), most))?;
                if bytes.len().saturating_add(piece.len()) > most.count() {
                    return Err(too_large(most));
                }
                bytes.extend_from_slice(&piece);
            }
            Ok(Self(bytes.freeze()))
        })
    }
}

/// The body as strict JSON, looked at after the caller was let in.
fn parsed(
    request: &HttpRequest,
    payload: &mut Payload,
) -> impl Future<Output = Result<Value, Failure>> + use<> {
    let gate = Gate::of(request);
    let media = media_type(request);
    let bytes = Bytes::from_request(request, payload);
    let keyed = request
        .headers()
        .contains_key(IDEMPOTENCY_KEY)
        .then(|| request.clone());
    async move {
        Gate::passed(gate).await;
        media?;
        let bytes = bytes.await.map_err(|error| unreadable(&error, limits::BODY))?;
        let body = parse(&bytes).map_err(Problem::from)?;
        if let Some(request) = keyed {
            let canonical = canonical::to_bytes(&body).map_err(|error| Failure::internal(&error))?;
            request
                .extensions_mut()
                .insert(BodyDigest(canonical::sha256(&[&canonical])));
        }
        Ok(body)
    }
}

/// Digest of a body in canonical form, for a request that bears an `Idempotency-Key`.
#[derive(Clone, Copy)]
pub(crate) struct BodyDigest(pub [u8; 32]);

/// Only JSON in UTF-8 is read, and it has to be said so.
fn media_type(request: &HttpRequest) -> Result<(), Failure> {
    let given = request
        .headers()
        .get(CONTENT_TYPE)
        .and_then(|value| value.to_str().ok())
        .unwrap_or_default();
    let mut parts = given.split(';').map(str::trim);
    let media = parts.next().unwrap_or_default();
    let known = media.eq_ignore_ascii_case(JSON) || media.eq_ignore_ascii_case(MERGE_PATCH);
    let utf8 = parts.all(|parameter| {
        let value = parameter.to_ascii_lowercase();
        value.is_empty() || value == "charset=utf-8" || value == "charset=\"utf-8\""
    });
    if known && utf8 {
        return Ok(());
    }
    let detail = format!("Send the body as Content-Type: {JSON} in UTF-8.");
    Err(Failure::new(problem::UNSUPPORTED_MEDIA_TYPE, detail))
}

/// Why the bytes of a body did not arrive whole.
pub(super) fn unreadable(error: &actix_web::Error, most: Limit) -> Failure {
    let status = error.as_response_error().status_code();
    if status == actix_web::http::StatusCode::PAYLOAD_TOO_LARGE {
        return too_large(most);
    }
    Failure::new(
        problem::MALFORMED_JSON,
        "The body did not arrive whole, or is not compressed as it says.",
    )
}

fn too_large(most: Limit) -> Failure {
    let detail = format!("The body exceeds {} bytes after decompression.", most.value);
    Failure::new(problem::BODY_TOO_LARGE, detail)
}
