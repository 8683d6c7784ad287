//! A body that holds its request's place until it is sent or given up, but not for ever: a client that never reads would
//! otherwise keep everybody else from exports.

use crate::limits;
use crate::shedding::Place;
use actix_web::body::{BodySize, BoxBody, MessageBody};
use actix_web::rt::task::JoinHandle;
use actix_web::web::Bytes;
use actix_web::{HttpResponse, rt};
use std::cell::Cell;
use std::error::Error;
use std::pin::Pin;
use std::rc::Rc;
use std::task::{Context, Poll};

struct Held {
    body: BoxBody,
    /// Given back when the body is gone, or by the timer.
    place: Rc<Cell<Option<Place>>>,
    timer: JoinHandle<()>,
}

impl Held {
    fn new(body: BoxBody, place: Place) -> Self {
        let place = Rc::new(Cell::new(Some(place)));
        let held = Rc::clone(&place);
        let timer = rt::spawn(async move {
            tokio::time::sleep(limits::STREAM_PLACE.duration()).await;
            drop(held.take());
        });
        Self { body, place, timer }
    }
}

impl Drop for Held {
    fn drop(&mut self) {
        drop(self.place.take());
        self.timer.abort();
    }
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
        (Some(place), BodySize::Stream) => response.map_body(|_, body| BoxBody::new(Held::new(body, place))),
        (Some(_) | None, BodySize::None | BodySize::Sized(_) | BodySize::Stream) => response,
    }
}

#[cfg(test)]
mod tests {
    //! An export counts while it is sent, and no longer.

    use super::*;
    use crate::config::Limits;
    use crate::shedding::{Class, Shedder};
    use actix_web::body::BodyStream;
    use futures_util::stream;
    use std::sync::Arc;

    fn one_export() -> Arc<Shedder> {
        Arc::new(Shedder::new(&Limits {
            exports: 1,
            ..Limits::default()
        }))
    }

    fn endless(shedder: &Arc<Shedder>) -> HttpResponse<BoxBody> {
        let body = BodyStream::new(stream::pending::<Result<Bytes, std::io::Error>>());
        let response = HttpResponse::Ok().body(body).map_into_boxed_body();
        hold(response, shedder.enter(Class::Exports))
    }

    #[actix_web::test]
    async fn a_stream_has_its_place_until_it_is_gone_and_what_is_in_memory_gives_it_back_at_once() {
        let shedder = one_export();
        let sent = endless(&shedder);
        assert!(shedder.enter(Class::Exports).is_none());
        drop(sent);
        let page = HttpResponse::Ok().body("[]").map_into_boxed_body();
        let page = hold(page, shedder.enter(Class::Exports));
        assert!(shedder.enter(Class::Exports).is_some());
        drop(page);
    }

    #[actix_web::test]
    async fn a_stream_that_nobody_reads_loses_its_place_in_the_end() {
        let shedder = one_export();
        tokio::time::pause();
        let unread = endless(&shedder);
        assert!(shedder.enter(Class::Exports).is_none());
        // The clock stands and jumps: nobody waits here.
        tokio::time::sleep(limits::STREAM_PLACE.duration() + std::time::Duration::from_secs(1)).await;
        assert!(shedder.enter(Class::Exports).is_some());
        drop(unread);
    }
}
