//! A body of bytes that are nobody's text, read after the caller was let in.

use super::gate::Gate;
use super::json::unreadable;
use crate::reply::Failure;
use actix_web::dev::Payload;
use actix_web::http::header::CONTENT_TYPE;
use actix_web::web::Bytes;
use actix_web::{FromRequest, HttpRequest};
use clampward_wire::problem;
use std::future::Future;
use std::pin::Pin;

/// Media type of a piece of an upload, as the tus protocol names it.
const OFFSET: &str = "application/offset+octet-stream";
/// The same without a registered name.
const PLAIN: &str = "application/octet-stream";

/// Bytes.
pub struct Octets(pub Bytes);

impl FromRequest for Octets {
    type Error = Failure;
    type Future = Pin<Box<dyn Future<Output = Result<Self, Failure>>>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let gate = Gate::of(request);
        let given = request.headers().get(CONTENT_TYPE);
        let known = given
            .and_then(|value| value.to_str().ok())
            .is_some_and(|media| media.eq_ignore_ascii_case(OFFSET) || media.eq_ignore_ascii_case(PLAIN));
        let bytes = Bytes::from_request(request, payload);
        Box::pin(async move {
            Gate::passed(gate).await;
            if !known {
                let detail = format!("Send the body as Content-Type: {OFFSET}.");
                return Err(Failure::new(problem::UNSUPPORTED_MEDIA_TYPE, detail));
            }
            Ok(Self(
                bytes
                    .await
                    .map_err(|error| unreadable(&error, crate::limits::BODY))?,
            ))
        })
    }
}
