//! Work that is dropped inside the runtime it began in, whenever that happens.
//!
//! A database connection goes back to its pool by a task of its own, and beginning one outside a runtime panics. A worker
//! thread that stops drops what it still does after it left its runtime: a stream in the middle of a read would end the
//! process in disorder.

use std::future::Future;
use std::pin::Pin;
use std::task::{Context, Poll};
use tokio::runtime::Handle;

/// A future that is dropped inside the runtime it began in.
pub(crate) struct InRuntime<F> {
    /// Gone only while it is being dropped.
    work: Option<Pin<Box<F>>>,
    runtime: Handle,
}

impl<F> InRuntime<F> {
    /// Work that begins in the present runtime.
    pub fn new(work: F) -> Self {
        Self {
            work: Some(Box::pin(work)),
            runtime: Handle::current(),
        }
    }
}

impl<F: Future> Future for InRuntime<F> {
    type Output = F::Output;
    fn poll(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<F::Output> {
        match &mut self.work {
            Some(work) => work.as_mut().poll(context),
            None => Poll::Pending,
        }
    }
}

impl<F> Drop for InRuntime<F> {
    fn drop(&mut self) {
        let _inside = self.runtime.enter();
        self.work = None;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::mpsc::{Sender, channel};

    /// Says whether it was dropped inside a runtime, as a connection needs it.
    struct Connection(Sender<bool>);

    impl Drop for Connection {
        fn drop(&mut self) {
            let inside = Handle::try_current().is_ok();
            self.0.send(inside).expect("somebody listens");
        }
    }

    // Goal: a worker that stops in the middle of a read gives its connection back. Method: a worker's runtime, left while
    // a task has a connection; the bare task shows what would happen without.
    #[test]
    fn what_a_stopped_worker_had_under_way_is_dropped_inside_its_runtime() {
        let (bare, of_bare) = channel();
        let (guarded, of_guarded) = channel();
        let worker = actix_web::rt::Runtime::new().expect("a runtime");
        worker.block_on(async {
            let reading = |connection: Connection| async move {
                std::future::pending::<()>().await;
                drop(connection);
            };
            actix_web::rt::spawn(reading(Connection(bare)));
            actix_web::rt::spawn(InRuntime::new(reading(Connection(guarded))));
            tokio::task::yield_now().await;
        });
        drop(worker);
        assert_eq!(of_bare.recv(), Ok(false));
        assert_eq!(of_guarded.recv(), Ok(true));
    }
}
