//! Answers, compressed where the client accepts it and it is worth the while.

use crate::limits;
use actix_http::encoding::Encoder;
use actix_web::body::{BodySize, BoxBody, MessageBody};
use actix_web::http::header::{
    AcceptEncoding, CONTENT_ENCODING, CONTENT_TYPE, ContentEncoding, Encoding, Header, VARY,
};
use actix_web::{HttpRequest, HttpResponse};

/// What an answer may depend on beside its address.
pub(super) const VARIES: &str = "Accept, Accept-Encoding, Authorization";

/// The codings that are offered.
const OFFERED: [Encoding; 3] = [Encoding::identity(), Encoding::zstd(), Encoding::gzip()];

/// Compresses an answer as the request accepts it.
pub(super) fn deflated(request: &HttpRequest, response: HttpResponse<BoxBody>) -> HttpResponse<BoxBody> {
    if !worth_it(&response) {
        return response;
    }
    let Some(coding) = accepted(request) else {
        return response;
    };
    let mut response = response.map_body(|head, body| BoxBody::new(Encoder::response(coding, head, body)));
    // The encoder says what it depends on in a line of its own.
    response
        .headers_mut()
        .insert(VARY, actix_web::http::header::HeaderValue::from_static(VARIES));
    response
}

fn worth_it(response: &HttpResponse<BoxBody>) -> bool {
    let large = match response.body().size() {
        BodySize::None => false,
        BodySize::Sized(bytes) => bytes >= limits::COMPRESSED.value,
        BodySize::Stream => true,
    };
    large && !response.headers().contains_key(CONTENT_ENCODING) && !is_compressed_already(response)
}

/// Pictures are, but for those that are text.
fn is_compressed_already(response: &HttpResponse<BoxBody>) -> bool {
    let kind = response.headers().get(CONTENT_TYPE).map(|value| value.as_bytes());
    kind.is_some_and(|kind| kind.starts_with(b"image/") && !kind.starts_with(b"image/svg"))
}

fn accepted(request: &HttpRequest) -> Option<ContentEncoding> {
    if !request
        .headers()
        .contains_key(actix_web::http::header::ACCEPT_ENCODING)
    {
        return None;
    }
    match AcceptEncoding::parse(request).ok()?.negotiate(OFFERED.iter())? {
        Encoding::Known(ContentEncoding::Identity) | Encoding::Unknown(_) => None,
        Encoding::Known(coding) => Some(coding),
    }
}
