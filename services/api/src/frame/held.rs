//! A body that holds its request's place until it is sent or given up, but not for ever: a client that never reads would
//! otherwise keep everybody else from exports. What its reader does not take for as long as the writer waits for them, the
//! writer has given up, and the place goes back although the connection still stands.

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
use std::time::Duration;
use tokio::time::Instant;

/// Pause between two looks whether it is still read.
const LOOK: Duration = Duration::from_secs(1);

struct Held {
    body: BoxBody,
    /// Given back when the body is gone, or by the timer.
    place: Rc<Cell<Option<Place>>>,
    /// Since when its reader is waited for; nothing while the writer is.
    unread: Rc<Cell<Option<Instant>>>,
    timer: JoinHandle<()>,
}

impl Held {
    fn new(body: BoxBody, place: Place) -> Self {
        let place = Rc::new(Cell::new(Some(place)));
        let unread = Rc::new(Cell::new(Some(Instant::now())));
        let (held, waits) = (Rc::clone(&place), Rc::clone(&unread));
        let timer = rt::spawn(async move {
            let end = Instant::now() + limits::STREAM_PLACE.duration();
            let is_given_up = |now: Instant| {
                let unread = waits.get();
                unread.is_some_and(|since| now.duration_since(since) > limits::STREAM_READER.duration())
            };
            while Instant::now() < end && !is_given_up(Instant::now()) {
                tokio::time::sleep(LOOK).await;
            }
            drop(held.take());
        });
        Self {
            body,
            place,
            unread,
            timer,
        }
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
        let this = self.get_mut();
        let polled = Pin::new(&mut this.body).poll_next(context);
        this.unread.set(polled.is_ready().then(Instant::now));
        polled
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
    use futures_util::{StreamExt, stream};
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

    /// Polls a body once, as a connection does that has room.
    fn read(body: &mut BoxBody) -> bool {
        let context = &mut Context::from_waker(std::task::Waker::noop());
        Pin::new(body).poll_next(context).is_ready()
    }

    /// A stream of two lines, after which it ends or keeps its reader waiting.
    fn two_lines(shedder: &Arc<Shedder>, ends: bool) -> BoxBody {
        let line = || Ok::<_, std::io::Error>(Bytes::from_static(b"{}\n"));
        let lines = stream::iter([line(), line()]);
        let body = if ends {
            BoxBody::new(BodyStream::new(lines))
        } else {
            BoxBody::new(BodyStream::new(lines.chain(stream::pending())))
        };
        let response = HttpResponse::Ok().body(body);
        hold(response, shedder.enter(Class::Exports)).into_body()
    }

    #[actix_web::test]
    async fn the_place_of_a_stream_goes_back_when_its_writer_gives_its_reader_up() {
        let shedder = one_export();
        tokio::time::pause();
        let mut sent = two_lines(&shedder, false);
        let patience = limits::STREAM_READER.duration();
        let second = Duration::from_secs(1);
        // As long as something is taken now and then, it is read; while nothing is ready, it is not the reader's fault.
        tokio::time::sleep(patience - second).await;
        assert!(read(&mut sent));
        tokio::time::sleep(patience - second).await;
        assert!(read(&mut sent) && !read(&mut sent));
        tokio::time::sleep(patience * 3).await;
        assert!(shedder.enter(Class::Exports).is_none());
        drop(sent);

        let mut unread = two_lines(&shedder, true);
        assert!(read(&mut unread));
        tokio::time::sleep(patience + 3 * second).await;
        assert!(
            shedder.enter(Class::Exports).is_some(),
            "the connection still stands"
        );
        drop(unread);
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
