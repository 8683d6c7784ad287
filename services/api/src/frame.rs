//! The frame around every request: its id, one log line, the headers that every answer bears, and the body of problems.
//!
//! An incoming `X-Request-Id` is the client's own name for the request: it is logged, ours is answered.

use crate::random;
use crate::reply::Failure;
use actix_web::body::{BoxBody, MessageBody};
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::StatusCode;
use actix_web::http::header::{
    CACHE_CONTROL, CONTENT_SECURITY_POLICY, CONTENT_TYPE, HeaderName, HeaderValue, REFERRER_POLICY,
    RETRY_AFTER, VARY, WWW_AUTHENTICATE, X_CONTENT_TYPE_OPTIONS,
};
use actix_web::middleware::Next;
use actix_web::{Error, HttpResponse, ResponseError};
use clampward_store::Clock;
use clampward_wire::problem::{self, Problem};
use std::sync::Arc;
use std::time::Instant;
use uuid::Uuid;

/// Header with the request's id.
const REQUEST_ID: HeaderName = HeaderName::from_static("x-request-id");
/// What a browser may do with an answer that is no page: nothing.
const NO_PAGE: &str = "default-src 'none'; frame-ancestors 'none'";
/// What the documentation's page may do: its own scripts and styles.
const DOCUMENTATION: &str = "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; \
     connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";
/// Seconds after which a refused client may come back.
const RETRY_SECONDS: &str = "2";

/// Frames a request.
pub(crate) async fn frame<B: MessageBody + 'static>(
    clock: Arc<dyn Clock>,
    request: ServiceRequest,
    next: Next<B>,
) -> Result<ServiceResponse<BoxBody>, Error> {
    let started = Instant::now();
    let id = random::id(clock.now()).unwrap_or_default();
    let client_id = client_id(&request);
    let method = request.method().clone();
    let response = next.call(request).await?.map_into_boxed_body();
    let mut response = write_problem(response, id);
    let path = response.request().path().to_owned();
    head(&mut response, id, &path);
    let status = response.status().as_u16();
    let pattern = response.request().match_pattern().unwrap_or_default();
    let milliseconds = u64::try_from(started.elapsed().as_millis()).unwrap_or(u64::MAX);
    tracing::info!(request_id = %id, client_request_id = client_id, %method, route = pattern, status, milliseconds, "request");
    Ok(response)
}

/// The client's own id, if it is short and plain.
fn client_id(request: &ServiceRequest) -> Option<String> {
    let text = request.headers().get(&REQUEST_ID)?.to_str().ok()?;
    let plain = text.len() <= 64
        && text
            .bytes()
            .all(|byte| byte.is_ascii_alphanumeric() || b"-_.".contains(&byte));
    plain.then(|| text.to_owned())
}

/// Gives every error a problem as its body, also those that the framework raised.
fn write_problem(mut response: ServiceResponse<BoxBody>, id: Uuid) -> ServiceResponse<BoxBody> {
    if !response.status().is_client_error() && !response.status().is_server_error() {
        return response;
    }
    let told = response.response_mut().extensions_mut().remove::<Problem>();
    let mut problem = match told {
        Some(problem) => problem,
        None if is_problem(&response) => return response,
        None => framework(&response),
    };
    problem.instance = Some(format!("urn:uuid:{id}"));
    let body = serde_json::to_vec(&problem).unwrap_or_default();
    let status = StatusCode::from_u16(problem.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
    let headers = response.headers().clone();
    let (request, _) = response.into_parts();
    let mut written = HttpResponse::build(status)
        .content_type(problem::MEDIA_TYPE)
        .body(body);
    for (name, value) in headers {
        if name != CONTENT_TYPE {
            written.headers_mut().append(name, value);
        }
    }
    ServiceResponse::new(request, written)
}

fn is_problem(response: &ServiceResponse<BoxBody>) -> bool {
    response
        .headers()
        .get(CONTENT_TYPE)
        .is_some_and(|value| value.as_bytes() == problem::MEDIA_TYPE.as_bytes())
}

/// A problem for an error that none of our handlers raised.
fn framework(response: &ServiceResponse<BoxBody>) -> Problem {
    if let Some(error) = response.response().error()
        && response.status().is_server_error()
    {
        tracing::error!(%error, "error of the framework");
    }
    let (kind, detail) = match response.status() {
        StatusCode::NOT_FOUND => (problem::NOT_FOUND, "There is nothing under this address."),
        StatusCode::METHOD_NOT_ALLOWED => (
            problem::METHOD_NOT_ALLOWED,
            "This address does not know the method.",
        ),
        StatusCode::PAYLOAD_TOO_LARGE => (problem::BODY_TOO_LARGE, "The body is too large."),
        StatusCode::UNSUPPORTED_MEDIA_TYPE => {
            (problem::UNSUPPORTED_MEDIA_TYPE, "The body has an unknown form.")
        }
        StatusCode::NOT_ACCEPTABLE => (problem::NOT_ACCEPTABLE, "None of the accepted forms is offered."),
        status if status.is_client_error() => (problem::INVALID_HEADER, "The request cannot be read."),
        _ => (
            problem::INTERNAL_ERROR,
            "The service failed; nothing of this request was recorded.",
        ),
    };
    Problem::new(kind, detail)
}

/// The headers that every answer bears.
fn head(response: &mut ServiceResponse<BoxBody>, id: Uuid, path: &str) {
    let status = response.status();
    let headers = response.headers_mut();
    if let Ok(value) = HeaderValue::from_str(&id.to_string()) {
        headers.insert(REQUEST_ID, value);
    }
    let policy = if path.starts_with("/docs") {
        DOCUMENTATION
    } else {
        NO_PAGE
    };
    headers.insert(CONTENT_SECURITY_POLICY, HeaderValue::from_static(policy));
    headers.insert(X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    headers.insert(REFERRER_POLICY, HeaderValue::from_static("same-origin"));
    for (name, value) in [
        ("strict-transport-security", "max-age=63072000; includeSubDomains"),
        ("cross-origin-opener-policy", "same-origin"),
        ("cross-origin-resource-policy", "same-origin"),
        (
            "permissions-policy",
            "camera=(self), geolocation=(), microphone=()",
        ),
    ] {
        headers.insert(HeaderName::from_static(name), HeaderValue::from_static(value));
    }
    if !headers.contains_key(CACHE_CONTROL) {
        headers.insert(CACHE_CONTROL, HeaderValue::from_static("no-store"));
    }
    headers.append(VARY, HeaderValue::from_static("Accept, Authorization"));
    if status == StatusCode::UNAUTHORIZED {
        headers.insert(WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
    }
    let come_back = status == StatusCode::SERVICE_UNAVAILABLE || status == StatusCode::TOO_MANY_REQUESTS;
    if come_back && !headers.contains_key(RETRY_AFTER) {
        headers.insert(RETRY_AFTER, HeaderValue::from_static(RETRY_SECONDS));
    }
}

/// Answers what no operation answers: 405 where the address is known by other methods, else 404.
pub(crate) fn unknown(method: &actix_web::http::Method, allowed: &[String]) -> HttpResponse {
    if allowed.is_empty() {
        return Failure::new(problem::NOT_FOUND, "There is nothing under this address.").error_response();
    }
    let allow = allowed.join(", ");
    let detail = format!("{method} is not known here; this address knows {allow}.");
    let mut response = Failure::new(problem::METHOD_NOT_ALLOWED, detail).error_response();
    if let Ok(value) = HeaderValue::from_str(&allow) {
        response
            .headers_mut()
            .insert(actix_web::http::header::ALLOW, value);
    }
    response
}
