//! What runs beside the requests: clamps under which reference data changed are reassessed, the journal's coming
//! months are prepared, held entries are tried again; old attempts to sign in, sessions that are long over and answers
//! that are kept no longer are forgotten. Any number of processes may do it at once. Answers never wait for it: a clamp
//! that is still to be reassessed is computed from all its entries when asked about.

use crate::routes::sync::again;
use crate::sign_in::KeyRing;
use clampward_store::Store;
use std::future::poll_fn;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::pin::pin;
use std::sync::Arc;
use std::task::Poll;
use std::time::Duration;
use tokio::signal::unix::{Signal, SignalKind, signal};

/// Pause between two looks while nothing waits.
const REASSESS_PAUSE: Duration = Duration::from_secs(1);
/// Clamps of one transaction.
const REASSESS_BATCH: u32 = 50;
/// Pause between two preparations of the journal's months.
const MONTHS_PAUSE: Duration = Duration::from_secs(6 * 3600);

/// Pause between two looks at the signing keys.
const KEYS_PAUSE: Duration = Duration::from_secs(60);
/// Pause between two looks at attempts to sign in.
const SWEEP_PAUSE: Duration = Duration::from_secs(60);
/// From so many accounts on that somebody failed to sign in to within ten minutes, it looks like spraying.
const SPRAY_ACCOUNTS: u64 = 20;

/// Pause between two looks for answers that are kept no longer.
const FORGET_PAUSE: Duration = Duration::from_secs(600);

/// Pause between two looks for held entries whose cause went away.
const REPLAY_PAUSE: Duration = Duration::from_secs(5);
/// Held entries of one look.
const REPLAY_BATCH: u32 = 1_000;
/// Pause between two looks for sessions that are over for long.
const SESSIONS_PAUSE: Duration = Duration::from_secs(3600);
/// Sessions of one statement.
const SESSIONS_BATCH: u32 = 1000;

/// Pause before work begins anew that panicked.
const PANICKED_PAUSE: Duration = Duration::from_secs(5);

/// Runs until the process stops.
pub async fn run(store: Store) {
    tokio::join!(
        kept_up("reassess", || reassess(&store)),
        kept_up("replay", || replay(&store)),
        kept_up("prepare_months", || prepare_months(&store)),
        kept_up("forget_answers", || forget_answers(&store)),
        kept_up("sweep_attempts", || sweep_attempts(&store)),
        kept_up("forget_sessions", || forget_sessions(&store))
    );
}

/// Begins work anew whenever it panics: one that has a fault ends neither itself nor what runs beside it.
async fn kept_up<W: Future<Output = ()>>(name: &'static str, work: impl Fn() -> W) {
    loop {
        let mut under_way = pin!(work());
        // What panicked is dropped and never polled again.
        let went_on =
            poll_fn(
                |context| match catch_unwind(AssertUnwindSafe(|| under_way.as_mut().poll(context))) {
                    Ok(polled) => polled.map(|()| true),
                    Err(_) => Poll::Ready(false),
                },
            )
            .await;
        if went_on {
            return;
        }
        tracing::error!(
            event = "background_panicked",
            work = name,
            "work in the background panicked; it begins anew"
        );
        tokio::time::sleep(PANICKED_PAUSE).await;
    }
}

async fn reassess(store: &Store) {
    loop {
        match store.reassess_pending(REASSESS_BATCH).await {
            Ok(0) => tokio::time::sleep(REASSESS_PAUSE).await,
            Ok(clamps) => tracing::info!(clamps, "reassessed"),
            Err(error) => {
                tracing::warn!(error = %crate::reply::chain(&error), "reassessing failed; it is tried again");
                tokio::time::sleep(REASSESS_PAUSE).await;
            }
        }
    }
}

/// Held entries are tried again: at the start those that this service may have learned to read or to judge, then those whose
/// cause went away.
async fn replay(store: &Store) {
    let mut has_learned = false;
    loop {
        if !has_learned {
            match store.replay_learned(&again).await {
                Ok(_) => has_learned = true,
                Err(error) => {
                    tracing::warn!(error = %crate::reply::chain(&error), "what may have been learned is not tried yet; it is tried again")
                }
            }
        }
        match store.replay_held(&again, REPLAY_BATCH).await {
            Ok(0) => {}
            Ok(entries) => tracing::info!(entries, "held entries recorded: their cause went away"),
            Err(error) => {
                tracing::warn!(error = %crate::reply::chain(&error), "replaying held entries failed; it is tried again")
            }
        }
        tokio::time::sleep(REPLAY_PAUSE).await;
    }
}

async fn prepare_months(store: &Store) {
    loop {
        let pause = match store.prepare_lift_check_months().await {
            Ok(()) => MONTHS_PAUSE,
            Err(error) => {
                tracing::warn!(error = %crate::reply::chain(&error), "preparing the journal's months failed");
                REASSESS_PAUSE
            }
        };
        tokio::time::sleep(pause).await;
    }
}

async fn sweep_attempts(store: &Store) {
    loop {
        match store.sweep_attempts().await {
            Ok(seen) if seen.failing >= SPRAY_ACCOUNTS => tracing::warn!(
                event = "sign_in_spraying",
                accounts = seen.failing,
                "many accounts are tried without success"
            ),
            Ok(_) => {}
            Err(error) => {
                tracing::warn!(error = %crate::reply::chain(&error), "forgetting old attempts to sign in failed")
            }
        }
        tokio::time::sleep(SWEEP_PAUSE).await;
    }
}

/// Reads the signing keys again each minute, and at once on SIGHUP, until the process stops.
pub async fn reload_keys(keys: Arc<KeyRing>) {
    let mut hangup = match signal(SignalKind::hangup()) {
        Ok(hangup) => Some(hangup),
        Err(error) => {
            tracing::warn!(%error, "SIGHUP is not heard; the signing keys are read again each minute");
            None
        }
    };
    loop {
        tokio::select! {
            () = tokio::time::sleep(KEYS_PAUSE) => {}
            Some(()) = heard(&mut hangup) => {}
        }
        match keys.reload() {
            Ok(true) => tracing::info!(event = "signing_keys_changed", "the signing keys changed"),
            Ok(false) => {}
            Err(error) => {
                tracing::error!(error = %crate::reply::chain(&error), "the signing keys cannot be read; the ones before stay")
            }
        }
    }
}

async fn heard(signal: &mut Option<Signal>) -> Option<()> {
    match signal {
        Some(signal) => signal.recv().await,
        None => None,
    }
}

async fn forget_answers(store: &Store) {
    loop {
        match store.forget_kept_answers().await {
            Ok(0) => tokio::time::sleep(FORGET_PAUSE).await,
            Ok(answers) => tracing::info!(answers, "kept answers forgotten"),
            Err(error) => {
                tracing::warn!(error = %crate::reply::chain(&error), "forgetting kept answers failed; it is tried again");
                tokio::time::sleep(FORGET_PAUSE).await;
            }
        }
    }
}

async fn forget_sessions(store: &Store) {
    loop {
        match store.forget_ended_sessions(SESSIONS_BATCH).await {
            Ok(gone) if gone >= u64::from(SESSIONS_BATCH) => continue,
            Ok(_) => {}
            Err(error) => {
                tracing::warn!(error = %crate::reply::chain(&error), "forgetting old sessions failed; it is tried again")
            }
        }
        tokio::time::sleep(SESSIONS_PAUSE).await;
    }
}

#[cfg(test)]
mod tests {
    //! What runs in the background goes on.

    use super::*;
    use std::cell::Cell;

    #[tokio::test(start_paused = true)]
    async fn work_that_panics_begins_anew() {
        let begun = Cell::new(0);
        kept_up("test", || async {
            begun.set(begun.get() + 1);
            assert!(begun.get() == 3, "a fault");
        })
        .await;
        assert_eq!(begun.get(), 3);
    }
}
