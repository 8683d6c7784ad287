//! Work on what somebody sent, so that what it panics on ends nothing else.

use std::future::poll_fn;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::pin::pin;
use std::task::Poll;

/// What the work came to; nothing if it panicked. It is dropped then, with its transaction, and never polled again.
pub(crate) async fn guarded<W: Future>(work: W) -> Option<W::Output> {
    let mut work = pin!(work);
    poll_fn(
        |context| match catch_unwind(AssertUnwindSafe(|| work.as_mut().poll(context))) {
            Ok(Poll::Pending) => Poll::Pending,
            Ok(Poll::Ready(done)) => Poll::Ready(Some(done)),
            Err(_) => Poll::Ready(None),
        },
    )
    .await
}
