//! What an OAuth client sends: a form with its credentials in the form or in the header Authorization (RFC 6749).

use crate::reply::Failure;
use crate::sign_in::Assertion;
use actix_web::HttpRequest;
use actix_web::http::header::{AUTHORIZATION, CONTENT_TYPE};
use actix_web::web;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use clampward_domain::ids::PersonId;
use clampward_wire::problem::{self, Kind, Problem};
use clampward_wire::sync::device::ASSERTION_TYPE;
use jiff::Timestamp;

/// Media type of a form.
const FORM: &str = "application/x-www-form-urlencoded";
/// Longest form.
const MAX_FORM_BYTES: usize = 4096;
/// The one grant.
const CLIENT_CREDENTIALS: &str = "client_credentials";

/// A client that says who it is.
#[derive(Debug)]
pub(super) enum Client {
    /// A service account, by its secret.
    Program {
        /// Its id.
        id: PersonId,
        /// The secret.
        secret: String,
    },
    /// A device, by what its key signed.
    Device(Assertion),
}

/// A problem that also says what RFC 6749 section 5.2 says, in members of its names.
fn refused(kind: Kind, error: &str, detail: &str) -> Failure {
    Problem::new(kind, detail)
        .with("error", error)
        .with("error_description", detail)
        .into()
}

fn invalid_request(detail: &str) -> Failure {
    refused(problem::INVALID_TOKEN_REQUEST, "invalid_request", detail)
}

/// Unknown, wrong, expired or closed: which of them is not said.
pub(super) fn invalid_client() -> Failure {
    let detail = "The client is unknown, or its secret or assertion is wrong, expired or withdrawn.";
    refused(problem::INVALID_CLIENT, "invalid_client", detail)
}

/// By the right key, but by another clock: told to whoever holds the key, so that it can set itself right.
pub(super) fn by_another_clock(now: Timestamp) -> Failure {
    let detail =
        "The assertion is over, not yet valid, or ends too late, by the service's clock: see server_time.";
    Problem::new(problem::INVALID_CLIENT, detail)
        .with("error", "invalid_client")
        .with("error_description", detail)
        .with("server_time", now.to_string())
        .into()
}

/// Reads a token request.
pub(super) fn read(request: &HttpRequest, body: &[u8]) -> Result<Client, Failure> {
    let form = Form::read(request, body)?;
    match form.one("grant_type")? {
        Some(grant) if grant == CLIENT_CREDENTIALS => {}
        Some(_) => {
            let detail = "The only grant is client_credentials.";
            return Err(refused(
                problem::UNSUPPORTED_GRANT_TYPE,
                "unsupported_grant_type",
                detail,
            ));
        }
        None => return Err(invalid_request("Send grant_type=client_credentials.")),
    }
    let (id, secret) = (form.one("client_id")?, form.one("client_secret")?);
    let assertion = (form.one("client_assertion_type")?, form.one("client_assertion")?);
    if assertion != (None, None) {
        if secret.is_some() || request.headers().contains_key(AUTHORIZATION) {
            return Err(invalid_request("Send either a secret or an assertion, not both."));
        }
        return asserted(id, assertion);
    }
    let (id, secret) = match (basic(request)?, id, secret) {
        (None, Some(id), Some(secret)) => (id.to_owned(), secret.to_owned()),
        (Some((id, secret)), None, None) => (id, secret),
        (Some((id, secret)), Some(again), None) if again == id => (id, secret),
        (Some(_), _, _) => {
            return Err(invalid_request(
                "Send the secret either in the header Authorization or in the form, not in both.",
            ));
        }
        (None, _, _) => {
            return Err(invalid_request(
                "Send client_id and client_secret, in the form or in the header Authorization: Basic.",
            ));
        }
    };
    // What is no id is no client's.
    let id = id.parse().map_err(|_| invalid_client())?;
    Ok(Client::Program { id, secret })
}

/// A device: whoever names itself beside its assertion names the same (RFC 7521 section 4.2).
fn asserted(id: Option<&str>, assertion: (Option<&str>, Option<&str>)) -> Result<Client, Failure> {
    let (Some(ASSERTION_TYPE), Some(text)) = assertion else {
        return Err(invalid_request(&format!(
            "Send client_assertion with client_assertion_type={ASSERTION_TYPE}."
        )));
    };
    let assertion = Assertion::read(text).map_err(|error| {
        tracing::info!(event = "client_refused", %error, "assertion refused");
        invalid_client()
    })?;
    if id.is_some_and(|id| id.parse() != Ok(assertion.device())) {
        return Err(invalid_client());
    }
    Ok(Client::Device(assertion))
}

struct Form(Vec<(String, String)>);

impl Form {
    fn read(request: &HttpRequest, body: &[u8]) -> Result<Self, Failure> {
        let media = request
            .headers()
            .get(CONTENT_TYPE)
            .and_then(|value| value.to_str().ok())
            .and_then(|value| value.split(';').next())
            .unwrap_or_default();
        if !media.trim().eq_ignore_ascii_case(FORM) {
            let detail = format!("Send the body as Content-Type: {FORM}.");
            return Err(refused(
                problem::UNSUPPORTED_MEDIA_TYPE,
                "invalid_request",
                &detail,
            ));
        }
        if body.len() > MAX_FORM_BYTES {
            return Err(invalid_request("The form is longer than 4096 bytes."));
        }
        let unreadable = || invalid_request("The form cannot be read.");
        let text = std::str::from_utf8(body).map_err(|_| unreadable())?;
        pairs(text).map(Self).ok_or_else(unreadable)
    }
    /// A parameter, which nobody may send twice (RFC 6749 section 3.2); what is unknown is ignored, as the RFC asks, and
    /// what is empty counts as left out.
    fn one(&self, name: &str) -> Result<Option<&str>, Failure> {
        let mut given = self.0.iter().filter(|(key, _)| key == name);
        let first = given.next();
        if given.next().is_some() {
            return Err(invalid_request("A parameter is given twice."));
        }
        Ok(first
            .map(|(_, value)| value.as_str())
            .filter(|value| !value.is_empty()))
    }
}

fn pairs(text: &str) -> Option<Vec<(String, String)>> {
    web::Query::<Vec<(String, String)>>::from_query(text)
        .ok()
        .map(web::Query::into_inner)
}

/// Id and secret of the header, each form-encoded (RFC 6749 section 2.3.1).
fn basic(request: &HttpRequest) -> Result<Option<(String, String)>, Failure> {
    let mut given = request.headers().get_all(AUTHORIZATION);
    let Some(header) = given.next() else {
        return Ok(None);
    };
    if given.next().is_some() {
        return Err(invalid_request("The header Authorization is given twice."));
    }
    let read = || {
        let (scheme, credentials) = header.to_str().ok()?.split_once(' ')?;
        if !scheme.eq_ignore_ascii_case("basic") {
            return None;
        }
        let text = String::from_utf8(STANDARD.decode(credentials.trim()).ok()?).ok()?;
        let (id, secret) = text.split_once(':')?;
        Some((decoded(id)?, decoded(secret)?))
    };
    read().map(Some).ok_or_else(invalid_client)
}

fn decoded(text: &str) -> Option<String> {
    match pairs(&format!("text={text}"))?.as_slice() {
        [(_, value)] => Some(value.clone()),
        _ => None,
    }
}
