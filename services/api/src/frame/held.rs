//! A body that holds its request's place until it is sent or given up.

use crate::shedding::Place;
use actix_web::HttpResponse;
use actix_web::body::{BodySize, BoxBody, MessageBody};
use actix_web::web::Bytes;
use std::error::Error;
use std::pin::Pin;
use std::task::{Context, Poll};

struct Held {
    body: BoxBody,
    _place: Place,
}

impl MessageBody for Held {
    type Error = Box<dyn Error>;

    fn size(&self) -> BodySize {
        self.body.size()
    }
    fn poll_next(
        self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Bytes, Self::Error>>> {
        Pin::new(&mut self.get_mut().body).poll_next(context)
    }
}

/// Gives a stream its request's place: it still costs while it is sent. What is in memory already gives it back.
pub(super) fn hold(response: HttpResponse<BoxBody>, place: Option<Place>) -> HttpResponse<BoxBody> {
    match (place, response.body().size()) {
        (Some(place), BodySize::Stream) => {
            response.map_body(|_, body| BoxBody::new(Held { body, _place: place }))
        }
        (Some(_) | None, BodySize::None | BodySize::Sized(_) | BodySize::Stream) => response,
    }
}
