//! Work that is given up, as a request is whose time is over or whose client has gone.

use std::future::poll_fn;
use std::pin::pin;
use std::task::Poll;

/// What comes of some work, if it need not wait more often than that; otherwise it is given up where it waits.
pub async fn within_waits<T>(waits: usize, work: impl Future<Output = T>) -> Option<T> {
    let mut work = pin!(work);
    let mut waited = 0;
    poll_fn(|context| match work.as_mut().poll(context) {
        Poll::Ready(done) => Poll::Ready(Some(done)),
        Poll::Pending if waited == waits => Poll::Ready(None),
        Poll::Pending => {
            waited += 1;
            Poll::Pending
        }
    })
    .await
}
