//! One call of the service inside the frame: with its ids in every log line, in bounded time, and with an end also where
//! it panics.

use super::correlation::Ids;
use crate::in_runtime::InRuntime;
use crate::logs;
use std::future::{Future, poll_fn};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::pin::Pin;
use std::task::Poll;
use std::time::Duration;

/// How a call ended.
pub(super) enum Ended<T> {
    /// By itself.
    Done(T),
    /// It took too long and was given up.
    GivenUp,
    /// It panicked; the panic is logged by its hook.
    Panicked,
}

/// Runs a call.
pub(super) async fn call<T>(ids: Ids, most: Duration, work: impl Future<Output = T>) -> Ended<T> {
    let mut work = InRuntime::new(work);
    let guarded = poll_fn(|context| {
        let _here = logs::enter(ids);
        // What panicked is dropped and never polled again; it shares nothing with other requests but locks, which are poisoned.
        match catch_unwind(AssertUnwindSafe(|| Pin::new(&mut work).poll(context))) {
            Ok(Poll::Pending) => Poll::Pending,
            Ok(Poll::Ready(done)) => Poll::Ready(Ended::Done(done)),
            Err(_) => Poll::Ready(Ended::Panicked),
        }
    });
    tokio::time::timeout(most, guarded)
        .await
        .unwrap_or(Ended::GivenUp)
}

#[cfg(test)]
mod tests {
    //! Whatever a handler does, its request ends.

    use super::*;
    use uuid::Uuid;

    const IDS: Ids = Ids {
        request: Uuid::from_u128(1),
        trace: 2,
    };

    #[tokio::test(start_paused = true)]
    async fn a_call_that_hangs_is_given_up_at_its_limit() {
        let begun = tokio::time::Instant::now();
        let most = Duration::from_secs(10);
        let ended = call(IDS, most, std::future::pending::<()>()).await;
        assert!(matches!(ended, Ended::GivenUp));
        assert_eq!(begun.elapsed(), most);
    }

    #[tokio::test]
    async fn a_call_that_panics_ends_and_its_ids_do_not_stay_behind() {
        let ended = call(IDS, Duration::from_secs(10), async {
            assert_eq!(logs::current(), Some(IDS));
            panic!("a handler")
        })
        .await;
        let ended: Ended<()> = ended;
        assert!(matches!(ended, Ended::Panicked));
        assert_eq!(logs::current(), None);
    }
}
