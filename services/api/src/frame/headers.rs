//! The headers that every answer bears.

use super::correlation::REQUEST_ID;
use super::deflate::VARIES;
use actix_web::HttpResponse;
use actix_web::body::BoxBody;
use actix_web::http::StatusCode;
use actix_web::http::header::{
    CACHE_CONTROL, CONTENT_SECURITY_POLICY, HeaderName, HeaderValue, REFERRER_POLICY, RETRY_AFTER, VARY,
    WWW_AUTHENTICATE, X_CONTENT_TYPE_OPTIONS,
};
use uuid::Uuid;

/// What a browser may do with an answer that is no page: nothing.
const NO_PAGE: &str = "default-src 'none'; frame-ancestors 'none'";
/// What a page of the documentation may do: bear our style, and nothing else.
const PAGE: &str = "default-src 'none'; style-src 'self'; img-src 'self'; base-uri 'none'; form-action 'none'; \
     frame-ancestors 'none'";
/// What the interactive reference may do: its own scripts and styles.
const REFERENCE: &str = "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; \
     connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";
/// Seconds after which a refused client may come back: not all of them at once.
const RETRY_SECONDS: [u64; 3] = [1, 2, 3];
/// The same for every answer (OWASP HTTP Headers Cheat Sheet).
const ALWAYS: [(HeaderName, &str); 7] = [
    (X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (REFERRER_POLICY, "same-origin"),
    (
        HeaderName::from_static("strict-transport-security"),
        "max-age=63072000; includeSubDomains",
    ),
    (
        HeaderName::from_static("cross-origin-opener-policy"),
        "same-origin",
    ),
    (
        HeaderName::from_static("cross-origin-resource-policy"),
        "same-origin",
    ),
    (
        HeaderName::from_static("permissions-policy"),
        "camera=(self), geolocation=(), microphone=()",
    ),
    (HeaderName::from_static("x-xss-protection"), "0"),
];

/// What a browser may do with what stands under a path.
pub(super) fn policy(path: &str) -> &'static str {
    if path.starts_with("/docs/reference/") {
        REFERENCE
    } else if path.starts_with("/docs") || path.starts_with("/problems/") {
        PAGE
    } else {
        NO_PAGE
    }
}

/// Adds them.
pub(super) fn complete(response: &mut HttpResponse<BoxBody>, id: Uuid, policy: &'static str) {
    let status = response.status();
    let headers = response.headers_mut();
    if let Ok(value) = HeaderValue::from_str(id.hyphenated().encode_lower(&mut Uuid::encode_buffer())) {
        headers.insert(REQUEST_ID, value);
    }
    headers.insert(CONTENT_SECURITY_POLICY, HeaderValue::from_static(policy));
    for (name, value) in ALWAYS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    if !headers.contains_key(CACHE_CONTROL) {
        headers.insert(CACHE_CONTROL, HeaderValue::from_static("no-store"));
    }
    headers.insert(VARY, HeaderValue::from_static(VARIES));
    if status == StatusCode::UNAUTHORIZED && !headers.contains_key(WWW_AUTHENTICATE) {
        headers.insert(WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
    }
}

/// Says when to come back, where the answer does not: for one a little later than for another of those who are refused
/// together.
pub(super) fn say_when(response: &mut HttpResponse<BoxBody>, id: Uuid) {
    let refused = [StatusCode::SERVICE_UNAVAILABLE, StatusCode::TOO_MANY_REQUESTS];
    if !refused.contains(&response.status()) || response.headers().contains_key(RETRY_AFTER) {
        return;
    }
    let spread = usize::from(super::spread(id)) % RETRY_SECONDS.len();
    if let Some(seconds) = RETRY_SECONDS.get(spread) {
        let seconds = HeaderValue::from(*seconds);
        response.headers_mut().insert(RETRY_AFTER, seconds);
    }
}
