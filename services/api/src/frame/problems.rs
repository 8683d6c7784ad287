//! Problems that the frame raises itself, and the body of all of them.

use crate::limits;
use crate::reply::{Failure, RETRY_AFTER_SECONDS};
use crate::shedding::Class;
use actix_web::body::BoxBody;
use actix_web::http::header::{ACCEPT_ENCODING, ALLOW, CONTENT_TYPE, HeaderValue, RETRY_AFTER};
use actix_web::http::{Method, StatusCode};
use actix_web::{HttpResponse, ResponseError};
use clampward_wire::problem::{self, Problem};
use uuid::Uuid;

/// Gives every error a problem as its body, also those that the framework raised; answers the problem's code too.
pub(super) fn write(
    mut response: HttpResponse<BoxBody>,
    id: Uuid,
) -> (HttpResponse<BoxBody>, Option<String>) {
    if !response.status().is_client_error() && !response.status().is_server_error() {
        return (response, None);
    }
    let told = response.extensions_mut().remove::<Problem>();
    let mut problem = match told {
        Some(problem) => problem,
        None if is_problem(&response) => return (response, None),
        None => framework(&response),
    };
    problem.instance = Some(format!("urn:uuid:{id}"));
    let when = response
        .headers()
        .get(RETRY_AFTER)
        .and_then(|value| value.to_str().ok());
    if let Some(seconds) = when.and_then(|seconds| seconds.parse::<u64>().ok()) {
        problem = problem.with(RETRY_AFTER_SECONDS, seconds);
    }
    let body = serde_json::to_vec(&problem).unwrap_or_default();
    let status = StatusCode::from_u16(problem.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
    let mut written = response.set_body(BoxBody::new(body));
    *written.status_mut() = status;
    let media = HeaderValue::from_static(problem::MEDIA_TYPE);
    written.headers_mut().insert(CONTENT_TYPE, media);
    if problem.code == problem::UNSUPPORTED_MEDIA_TYPE.code {
        // RFC 9110, section 15.5.16: which codings would have been read.
        let read = HeaderValue::from_static("gzip, zstd, identity");
        written.headers_mut().insert(ACCEPT_ENCODING, read);
    }
    (written, Some(problem.code))
}

fn is_problem(response: &HttpResponse<BoxBody>) -> bool {
    response
        .headers()
        .get(CONTENT_TYPE)
        .is_some_and(|value| value.as_bytes() == problem::MEDIA_TYPE.as_bytes())
}

/// A problem for an error that none of our handlers raised.
fn framework(response: &HttpResponse<BoxBody>) -> Problem {
    if let Some(error) = response.error()
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

/// Answers what no operation answers: 405 where the address is known by other methods, else 404.
pub(crate) fn unknown(method: &Method, allowed: &[String]) -> HttpResponse {
    if allowed.is_empty() {
        return Failure::new(problem::NOT_FOUND, "There is nothing under this address.").error_response();
    }
    let allow = allowed.join(", ");
    let detail = format!("{method} is not known here; this address knows {allow}.");
    let mut response = Failure::new(problem::METHOD_NOT_ALLOWED, detail).error_response();
    if let Ok(value) = HeaderValue::from_str(&allow) {
        response.headers_mut().insert(ALLOW, value);
    }
    response
}

pub(super) fn address_too_long() -> Failure {
    let detail = format!(
        "The address with its query exceeds {} bytes.",
        limits::ADDRESS.value
    );
    Failure::new(problem::ADDRESS_TOO_LONG, detail)
}

pub(super) fn headers_too_large() -> Failure {
    let detail = format!("The headers together exceed {} bytes.", limits::HEADERS.value);
    Failure::new(problem::HEADERS_TOO_LARGE, detail)
}

pub(super) fn unknown_coding() -> Failure {
    Failure::new(
        problem::UNSUPPORTED_MEDIA_TYPE,
        "Send the body uncompressed, or with the one Content-Encoding gzip or zstd.",
    )
}

pub(super) fn overloaded(class: Class) -> Failure {
    let detail = format!(
        "Too many {} are under way; nothing of this request was recorded. Try again in a moment.",
        match class {
            Class::Exports => "exports",
            Class::Lists => "lists and reports",
            Class::SignIn => "sign-ins",
            Class::Writes => "requests",
            Class::Fitness => "fitness questions",
        }
    );
    let problem = Problem::new(problem::OVERLOADED, detail);
    problem.with("class", class.name()).into()
}

pub(super) fn own_exports() -> Failure {
    let detail = "As many of your own exports are under way as one account may have: read them to their end, or close them.";
    let problem = Problem::new(problem::OVERLOADED, detail);
    problem.with("class", Class::Exports.name()).into()
}

pub(super) fn took_too_long() -> Failure {
    Failure::new(
        problem::TOOK_TOO_LONG,
        "The request was given up. Whether anything was recorded is not known here: send entries and lift checks again \
         with the same id, which records them once at most; read other things before you repeat a change.",
    )
}

pub(super) fn broken() -> Failure {
    Failure::new(
        problem::INTERNAL_ERROR,
        "The service failed. If this was an entry, send it again with the same id: it is recorded once at most.",
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::body::MessageBody;

    // Method: one that says when, and those that leave it to the frame, by ids that spread them differently.
    #[test]
    fn whoever_is_to_come_back_is_told_when_by_the_header_and_by_the_body_alike() {
        let when = |failure: Failure, id: u128| {
            let (mut response, id) = (failure.error_response(), Uuid::from_u128(id));
            super::super::headers::say_when(&mut response, id);
            let (written, _) = write(response, id);
            let header = written.headers().get(RETRY_AFTER).expect("a header").clone();
            let body = written.into_body().try_into_bytes().expect("a body");
            let body: serde_json::Value = serde_json::from_slice(&body).expect("JSON");
            let seconds = body[RETRY_AFTER_SECONDS].as_u64().expect("a member");
            assert_eq!(header.as_bytes(), seconds.to_string().as_bytes());
            seconds
        };
        let busy = || Failure::new(problem::UNAVAILABLE, "busy");
        assert_eq!([0, 1, 2].map(|id| when(busy(), id)), [1, 2, 3]);
        assert_eq!(when(overloaded(Class::Lists), 3), 1);
        let later = busy().retry_after(jiff::SignedDuration::from_secs(7));
        assert_eq!(when(later, 2), 7);
        let in_use = Failure::new(problem::IDEMPOTENCY_KEY_IN_USE, "in use");
        assert_eq!(when(in_use.retry_after(jiff::SignedDuration::from_secs(1)), 2), 1);
    }
}
