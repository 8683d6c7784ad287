//! What ties a request to its log lines: our id, the client's own id, and the trace it belongs to.
//!
//! W3C Trace Context: a valid `traceparent` is taken over; otherwise a new trace begins, whose id is the request's id (a
//! UUID version 7: its last eight bytes are random but for two bits, as Level 2 of the recommendation asks for the last seven).
//! No `traceparent` is answered: there is no agreed header for answers.

use crate::limits;
use actix_web::http::header::{HeaderMap, HeaderName};
use uuid::Uuid;

/// Header with the request's id.
pub(crate) const REQUEST_ID: HeaderName = HeaderName::from_static("x-request-id");
const TRACE_PARENT: HeaderName = HeaderName::from_static("traceparent");

/// The ids of one request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Ids {
    /// Ours.
    pub request: Uuid,
    /// The trace's.
    pub trace: u128,
}

impl Ids {
    /// Of a request with these headers.
    pub fn of(headers: &HeaderMap, request: Uuid) -> Self {
        Self {
            request,
            trace: trace(headers).unwrap_or(request.as_u128()),
        }
    }
}

/// The client's own id, if it is short and plain.
pub(crate) fn client_id(headers: &HeaderMap) -> Option<&str> {
    let text = headers.get(&REQUEST_ID)?.to_str().ok()?;
    let plain = text.len() <= limits::REQUEST_ID.count()
        && text
            .bytes()
            .all(|byte| byte.is_ascii_alphanumeric() || b"-_.".contains(&byte));
    plain.then_some(text)
}

/// The trace id of a valid `traceparent`.
fn trace(headers: &HeaderMap) -> Option<u128> {
    let mut given = headers.get_all(&TRACE_PARENT);
    let only = given.next()?.to_str().ok()?;
    if given.next().is_some() {
        return None;
    }
    let mut parts = only.split('-');
    let version = hexadecimal(parts.next()?, 2)?;
    let trace = hexadecimal(parts.next()?, 32)?;
    let parent = hexadecimal(parts.next()?, 16)?;
    hexadecimal(parts.next()?, 2)?;
    // Later versions may append parts; this one may not, and ff is none.
    let whole = match version {
        0 => parts.next().is_none(),
        0xff => false,
        _ => true,
    };
    (whole && trace != 0 && parent != 0).then_some(trace)
}

/// A number of so many lower-case hexadecimal digits.
fn hexadecimal(text: &str, digits: usize) -> Option<u128> {
    let plain = text.len() == digits && text.bytes().all(|byte| matches!(byte, b'0'..=b'9' | b'a'..=b'f'));
    if plain {
        u128::from_str_radix(text, 16).ok()
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    //! Examples of W3C Trace Context, section 3.2 (`traceparent` header), and what it calls invalid.

    use super::*;
    use actix_web::http::header::HeaderValue;

    fn headers(values: &[&str]) -> HeaderMap {
        let mut headers = HeaderMap::new();
        for value in values {
            headers.append(TRACE_PARENT, HeaderValue::from_str(value).unwrap());
        }
        headers
    }

    #[test]
    fn a_valid_trace_is_taken_over() {
        for given in [
            "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01",
            "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-00",
            "01-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01",
            "cc-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01-what-the-future-will-be-like",
        ] {
            let ids = Ids::of(&headers(&[given]), Uuid::from_u128(7));
            assert_eq!(ids.trace, 0x4bf9_2f35_77b3_4da6_a3ce_929d_0e0e_4736, "{given}");
        }
    }

    #[test]
    fn an_invalid_trace_is_ignored_and_a_new_one_begins() {
        let good = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01";
        for given in [
            vec![],
            vec![""],
            vec![good, good],
            vec!["ff-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01"],
            vec!["00-00000000000000000000000000000000-00f067aa0ba902b7-01"],
            vec!["00-4bf92f3577b34da6a3ce929d0e0e4736-0000000000000000-01"],
            vec!["00-4BF92F3577B34DA6A3CE929D0E0E4736-00f067aa0ba902b7-01"],
            vec!["00-4bf92f3577b34da6a3ce929d0e0e473-00f067aa0ba902b7-01"],
            vec!["00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-1"],
            vec!["00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01-more"],
            vec!["cc-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01.more"],
            vec!["00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7"],
            vec!["+0-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01"],
        ] {
            assert_eq!(
                Ids::of(&headers(&given), Uuid::from_u128(7)).trace,
                7,
                "{given:?}"
            );
        }
    }

    #[test]
    fn a_clients_own_id_is_logged_only_if_it_is_short_and_plain() {
        let named = |text: &str| {
            let mut headers = HeaderMap::new();
            headers.insert(REQUEST_ID, HeaderValue::from_str(text).unwrap());
            client_id(&headers).map(str::to_owned)
        };
        assert_eq!(named("job-7_a.1").as_deref(), Some("job-7_a.1"));
        assert_eq!(named("a b"), None);
        assert_eq!(named("\" x=\"1"), None);
        assert_eq!(named(&"a".repeat(65)), None);
    }
}
