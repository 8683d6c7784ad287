//! How an operation answers: bodies, ETags, lists, and failures as problem documents.
//!
//! A [`Failure`] carries the problem to the frame, which adds the request id and writes the body: one place for every
//! error, also for those that the framework raises itself.

mod csv;
mod list;
mod media;
mod stream;

pub use csv::{Cells, Columns, table};
pub use list::{Chunk, Listed, Size, TimedKey, list, whole};
pub use media::Form;
pub use stream::{Parts, Stop, body as stream};

pub use clampward_process::chain;

use crate::photos::{PhotoError, Refused};
use actix_web::http::StatusCode;
use actix_web::http::header::{self, ETAG, HeaderValue};
use actix_web::{HttpRequest, HttpResponse, HttpResponseBuilder, ResponseError};
use clampward_store::StoreError;
use clampward_wire::problem::{self, Problem};
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::fmt;

/// Member of a problem that says the same as the header Retry-After.
pub(crate) const RETRY_AFTER_SECONDS: &str = "retry_after_seconds";

/// An answer, or the failure that is answered instead.
pub type Answer = Result<HttpResponse, Failure>;

/// A problem on its way out.
#[derive(Debug)]
pub struct Failure(Box<Problem>);

impl Failure {
    /// A problem of a kind.
    pub fn new(kind: problem::Kind, detail: impl Into<String>) -> Self {
        Problem::new(kind, detail).into()
    }
    /// Nothing there, or nothing for this person: both read alike.
    pub fn not_found(what: &str) -> Self {
        Self::new(
            problem::NOT_FOUND,
            format!("There is no {what} here that you can see."),
        )
    }
    /// Something broke inside: logged here, told without its inside.
    pub fn internal(error: &dyn std::error::Error) -> Self {
        tracing::error!(error = %chain(error), "internal error");
        Self::new(
            problem::INTERNAL_ERROR,
            "The service failed; nothing of this request was recorded.",
        )
    }
    /// The same with the time after which it may be tried again, in whole seconds and never too early.
    #[must_use]
    pub fn retry_after(self, wait: jiff::SignedDuration) -> Self {
        let seconds = wait.as_secs() + i64::from(wait.subsec_nanos() > 0);
        Problem::clone(&self.0)
            .with(RETRY_AFTER_SECONDS, seconds.max(1))
            .into()
    }
    /// The problem.
    pub fn problem(&self) -> &Problem {
        &self.0
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.0.code, self.0.detail)
    }
}

impl From<Problem> for Failure {
    fn from(problem: Problem) -> Self {
        Self(Box::new(problem))
    }
}

impl From<crate::random::NoRandomness> for Failure {
    fn from(error: crate::random::NoRandomness) -> Self {
        Self::internal(&error)
    }
}

impl From<PhotoError> for Failure {
    fn from(error: PhotoError) -> Self {
        let (kind, detail) = match error {
            PhotoError::Store(error) => return error.into(),
            PhotoError::Refused(refused @ Refused::OtherContent) => {
                (problem::PHOTO_MISMATCH, refused.to_string())
            }
            PhotoError::Refused(refused) => (problem::PHOTO_UNREADABLE, refused.to_string()),
            PhotoError::Busy => {
                let detail = "Too many photos are being looked at. What arrived is kept and will be looked at: ask how far the \
                              upload is in a while.";
                (problem::OVERLOADED, detail.to_owned())
            }
            PhotoError::Objects(error) => {
                tracing::error!(error = %chain(&error), "the place where photos are kept does not answer");
                let detail = "The place where photos are kept does not answer; try again in a moment.";
                (problem::UNAVAILABLE, detail.to_owned())
            }
        };
        Self::new(kind, detail)
    }
}

impl From<StoreError> for Failure {
    fn from(error: StoreError) -> Self {
        match error {
            error if error.is_busy() => {
                tracing::warn!(error = %chain(&error), "the database is busy");
                Self::new(
                    problem::UNAVAILABLE,
                    "The database is busy; try again in a moment.",
                )
            }
            error if error.is_away() => {
                tracing::error!(error = %chain(&error), "the database is away");
                Self::new(
                    problem::UNAVAILABLE,
                    "The database cannot be reached; try again in a moment.",
                )
            }
            other => Self::internal(&other),
        }
    }
}

impl ResponseError for Failure {
    fn status_code(&self) -> StatusCode {
        StatusCode::from_u16(self.0.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR)
    }
    fn error_response(&self) -> HttpResponse {
        let mut response = HttpResponseBuilder::new(self.status_code()).finish();
        if let Some(seconds) = self.0.more.get(RETRY_AFTER_SECONDS) {
            let seconds = header_value(&seconds.to_string());
            response.headers_mut().insert(header::RETRY_AFTER, seconds);
        }
        response.extensions_mut().insert(Problem::clone(&self.0));
        response
    }
}

/// 200 with a body.
pub fn ok(body: &impl Serialize) -> Answer {
    body_with(StatusCode::OK, body)
}

/// 201 with a body and where it is from now on.
pub fn created(location: &str, body: &impl Serialize) -> Answer {
    let mut response = tagged(StatusCode::CREATED, body)?;
    response
        .headers_mut()
        .insert(header::LOCATION, header_value(location));
    Ok(response)
}

/// One resource with its ETag; 304 where the caller has these bytes already.
pub fn resource(request: &HttpRequest, body: &impl Serialize) -> Answer {
    resource_of(request, "application/json", bytes(body)?)
}

/// The same in any form.
pub fn resource_of(request: &HttpRequest, content_type: &str, bytes: Vec<u8>) -> Answer {
    let response = tagged_of(StatusCode::OK, content_type, bytes);
    let known = request.headers().get_all(header::IF_NONE_MATCH).any(|given| {
        response
            .headers()
            .get(ETAG)
            .is_some_and(|tag| lists_tag(given, tag))
    });
    if !known {
        return Ok(response);
    }
    let mut unchanged = HttpResponse::NotModified().finish();
    if let Some(tag) = response.headers().get(ETAG) {
        unchanged.headers_mut().insert(ETAG, tag.clone());
    }
    Ok(unchanged)
}

/// A changed resource with its new ETag.
pub fn changed(body: &impl Serialize) -> Answer {
    tagged(StatusCode::OK, body)
}

/// Checks `If-Match` against the resource as it is now: 428 if it is missing, 412 if it is another.
pub fn if_match(request: &HttpRequest, current: &impl Serialize) -> Result<(), Failure> {
    let mut given = request.headers().get_all(header::IF_MATCH).peekable();
    if given.peek().is_none() {
        return Err(Failure::new(
            problem::VERSION_MISSING,
            "Send the resource's ETag in If-Match, so that nobody's change is lost.",
        ));
    }
    let tag = header_value(&etag(&bytes(current)?));
    if given.any(|value| lists_tag(value, &tag)) {
        return Ok(());
    }
    Err(Failure::new(
        problem::VERSION_STALE,
        "It was changed meanwhile: read it again and repeat your change.",
    ))
}

fn lists_tag(given: &HeaderValue, tag: &HeaderValue) -> bool {
    let (Ok(given), Ok(tag)) = (given.to_str(), tag.to_str()) else {
        return false;
    };
    given
        .split(',')
        .map(str::trim)
        .any(|one| one == "*" || one == tag)
}

fn body_with(status: StatusCode, body: &impl Serialize) -> Answer {
    Ok(HttpResponse::build(status)
        .content_type("application/json")
        .body(bytes(body)?))
}

fn tagged(status: StatusCode, body: &impl Serialize) -> Answer {
    Ok(tagged_of(status, "application/json", bytes(body)?))
}

fn tagged_of(status: StatusCode, content_type: &str, bytes: Vec<u8>) -> HttpResponse {
    let tag = etag(&bytes);
    HttpResponse::build(status)
        .content_type(content_type)
        .insert_header((ETAG, tag))
        .body(bytes)
}

fn bytes(body: &impl Serialize) -> Result<Vec<u8>, Failure> {
    serde_json::to_vec(body).map_err(|error| Failure::internal(&error))
}

/// A strong ETag over the bytes sent.
pub(crate) fn etag(bytes: &[u8]) -> String {
    use base64::Engine;
    let digest = Sha256::digest(bytes);
    let short = digest.get(..18).unwrap_or(&digest);
    format!(
        "\"{}\"",
        base64::engine::general_purpose::URL_SAFE_NO_PAD.encode(short)
    )
}

fn header_value(text: &str) -> HeaderValue {
    HeaderValue::from_str(text).unwrap_or(HeaderValue::from_static(""))
}
