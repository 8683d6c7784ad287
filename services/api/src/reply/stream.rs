//! Bodies that are made while they are sent: what is missing at the end shows.

use super::Failure;
use crate::in_runtime::InRuntime;
use crate::limits::STREAM_READER;
use actix_web::body::{BodySize, MessageBody};
use actix_web::rt;
use actix_web::web::Bytes;
use std::pin::Pin;
use std::task::{Context, Poll};
use tokio::sync::mpsc;

/// Why a stream stopped before its end.
pub enum Stop {
    /// Whoever read it went away, or does not read.
    Reader,
    /// It could not be made.
    Failed(Failure),
}

impl<E: Into<Failure>> From<E> for Stop {
    fn from(error: E) -> Self {
        Self::Failed(error.into())
    }
}

/// A part of a stream on its way.
enum Part {
    Bytes(Bytes),
    End,
}

/// Where a stream's parts go. One waits while the next is made, and no more: a slow reader slows the writer down.
pub struct Parts(mpsc::Sender<Part>);

impl Parts {
    /// Sends a part.
    pub async fn send(&self, bytes: Vec<u8>) -> Result<(), Stop> {
        self.put(Part::Bytes(bytes.into())).await
    }
    async fn put(&self, part: Part) -> Result<(), Stop> {
        match tokio::time::timeout(STREAM_READER.duration(), self.0.send(part)).await {
            Ok(Ok(())) => Ok(()),
            Ok(Err(_)) | Err(_) => Err(Stop::Reader),
        }
    }
}

/// A body that `write` makes. Only if that ends well does the body.
pub fn body<W, F>(write: W) -> Stream
where
    W: FnOnce(Parts) -> F + 'static,
    F: Future<Output = Result<Parts, Stop>> + 'static,
{
    let (sender, parts) = mpsc::channel(1);
    // A stop does not wait for what nobody reads any more.
    rt::spawn(InRuntime::new(async move {
        let written = match write(Parts(sender)).await {
            Ok(parts) => parts.put(Part::End).await,
            Err(stop) => Err(stop),
        };
        match written {
            Ok(()) => tracing::debug!("the stream is whole"),
            Err(Stop::Reader) => tracing::info!("the reader of a stream went away"),
            Err(Stop::Failed(failure)) => {
                tracing::warn!(error = %failure, "a stream breaks off");
            }
        }
    }));
    Stream { parts, ended: false }
}

/// The body of a stream. It ends well only if its writer says so: whatever becomes of the writer, what is missing shows.
pub struct Stream {
    parts: mpsc::Receiver<Part>,
    ended: bool,
}

/// The connection ends before the body does.
#[derive(Debug, thiserror::Error)]
#[error("the stream broke off")]
pub struct BrokenOff;

impl MessageBody for Stream {
    type Error = BrokenOff;
    fn size(&self) -> BodySize {
        BodySize::Stream
    }
    fn poll_next(self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<Option<Result<Bytes, BrokenOff>>> {
        let this = self.get_mut();
        if this.ended {
            return Poll::Ready(None);
        }
        this.parts.poll_recv(context).map(|part| match part {
            Some(Part::Bytes(bytes)) => Some(Ok(bytes)),
            Some(Part::End) => {
                this.ended = true;
                None
            }
            None => Some(Err(BrokenOff)),
        })
    }
}
