//! Waiting for what happens next. However many wait, one look at the head per process and quarter of a second tells them
//! all; whoever waits holds no connection to the database and no place among the requests under way, only one of many
//! places to wait. Told to stop, all go on at once.

use crate::limits;
use crate::reply::chain;
use clampward_domain::ids::YardId;
use clampward_store::Store;
use clampward_store::feed::{EVERYBODY, Moves};
use std::collections::HashMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;
use tokio::sync::{Notify, watch};
use tokio::time::Instant;

/// Pause between two looks while somebody waits.
const LOOK: Duration = Duration::from_millis(250);
/// The same after the database did not answer.
const AGAIN: Duration = Duration::from_secs(1);

/// What somebody waits for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Interest {
    /// Anything that goes to one of these yards, or to everybody.
    Yards(Vec<YardId>),
    /// Anything.
    Everything,
}

/// Why a wait is over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Over {
    /// Something happened.
    Moved,
    /// Nothing happened for as long as was asked.
    InVain,
    /// There is no place to wait, or the service stops: answer what there is.
    AtOnce,
}

/// Who waits in this process, and what they are told.
pub struct Waiting {
    seen: watch::Sender<Seen>,
    stopping: watch::Receiver<bool>,
    somebody: Notify,
    under_way: AtomicUsize,
    most: usize,
}

/// What was seen of the ledger.
#[derive(Clone, Debug, Default)]
struct Seen {
    position: u64,
    /// Everybody is to look whether something came up to here.
    all: u64,
    /// How often the ledger went back. Positions are of one history only: whoever began to wait in another looks.
    history: u64,
    /// The last row that went to each yard.
    yards: HashMap<YardId, u64>,
}

impl Seen {
    fn add(&mut self, moves: Moves) {
        match moves.yards {
            Some(yards) => self.yards.extend(yards),
            None => {
                if moves.position < self.position {
                    // Another history: each reader finds out by its cursor, once.
                    self.history = self.history.wrapping_add(1);
                    self.yards.clear();
                }
                self.all = moves.position;
            }
        }
        self.position = moves.position;
    }
    fn has(&self, interest: &Interest, after: u64) -> bool {
        let to = |yard| self.yards.get(yard).is_some_and(|position| *position > after);
        self.all > after
            || match interest {
                Interest::Everything => self.position > after,
                Interest::Yards(yards) => to(&EVERYBODY) || yards.iter().any(to),
            }
    }
}

/// A place to wait; given back when dropped.
struct Place<'a>(&'a Waiting);

impl Drop for Place<'_> {
    fn drop(&mut self) {
        self.0.under_way.fetch_sub(1, Ordering::Relaxed);
    }
}

impl Waiting {
    /// With so many places to wait, until the service stops.
    pub fn new(most: usize, stopping: watch::Receiver<bool>) -> Self {
        Self {
            seen: watch::Sender::default(),
            stopping,
            somebody: Notify::new(),
            under_way: AtomicUsize::new(0),
            most,
        }
    }
    /// How many wait.
    pub fn under_way(&self) -> usize {
        self.under_way.load(Ordering::Relaxed)
    }
    fn place(&self) -> Option<Place<'_>> {
        let next = |now: usize| (now < self.most).then(|| now.saturating_add(1));
        let taken = self
            .under_way
            .fetch_update(Ordering::Relaxed, Ordering::Relaxed, next);
        // Made only where one was taken: it is given back when dropped.
        taken.is_ok().then(|| Place(self))
    }

    /// Waits until something happens after a position, no longer than until an instant.
    pub async fn wait(&self, interest: &Interest, after: u64, until: Instant) -> Over {
        let mut stopping = self.stopping.clone();
        if *stopping.borrow_and_update() {
            return Over::AtOnce;
        }
        let Some(_place) = self.place() else {
            return Over::AtOnce;
        };
        let mut seen = self.seen.subscribe();
        let history = seen.borrow().history;
        self.somebody.notify_one();
        loop {
            {
                let now = seen.borrow_and_update();
                if now.history != history || now.has(interest, after) {
                    return Over::Moved;
                }
            }
            tokio::select! {
                changed = seen.changed() => if changed.is_err() {
                    return Over::AtOnce;
                },
                _ = stopping.changed() => return Over::AtOnce,
                () = tokio::time::sleep_until(until) => return Over::InVain,
            }
        }
    }

    /// Looks for all who wait, for as long as the process runs; while nobody waits, it does not look.
    pub async fn look(self: Arc<Self>, store: Store) {
        let mut answers = true;
        loop {
            if self.under_way() == 0 {
                self.somebody.notified().await;
            }
            let after = self.seen.borrow().position;
            match store.moves(after).await {
                Ok(moves) => {
                    answers = true;
                    if moves.position != after {
                        self.seen.send_modify(|seen| seen.add(moves));
                    }
                    tokio::time::sleep(LOOK).await;
                }
                Err(error) => {
                    if std::mem::take(&mut answers) {
                        tracing::warn!(error = %chain(&error), "what happens next cannot be seen; it is tried again");
                    }
                    tokio::time::sleep(AGAIN).await;
                }
            }
        }
    }
}

/// Until when a request may wait that asks for so many seconds.
pub fn until(seconds: u32) -> Instant {
    let most = limits::PULL_WAIT.duration();
    Instant::now() + Duration::from_secs(seconds.into()).min(most)
}

#[cfg(test)]
mod tests {
    //! Who is woken by what.

    use super::*;
    use uuid::Uuid;

    const NORTH: YardId = YardId::new(Uuid::from_u128(1));
    const SOUTH: YardId = YardId::new(Uuid::from_u128(2));

    fn moved(position: u64, yards: &[(YardId, u64)]) -> Moves {
        Moves {
            position,
            yards: Some(yards.to_vec()),
        }
    }

    fn of(yard: YardId) -> Interest {
        Interest::Yards(vec![yard])
    }

    #[test]
    fn one_is_woken_by_what_goes_to_its_yard_or_to_everybody_and_was_not_read_yet() {
        let mut seen = Seen::default();
        seen.add(moved(10, &[(NORTH, 7), (SOUTH, 10)]));
        assert!(seen.has(&of(NORTH), 6) && !seen.has(&of(NORTH), 7) && !seen.has(&of(NORTH), 10));
        assert!(seen.has(&of(SOUTH), 9));
        assert!(seen.has(&Interest::Everything, 9) && !seen.has(&Interest::Everything, 10));
        assert!(seen.has(&Interest::Yards(vec![NORTH, SOUTH]), 8));
        seen.add(moved(11, &[(EVERYBODY, 11)]));
        assert!(seen.has(&of(NORTH), 10) && !seen.has(&of(NORTH), 11));
        // Too much to look at one by one.
        seen.add(Moves {
            position: 90_000,
            yards: None,
        });
        assert!(seen.has(&of(NORTH), 89_999) && !seen.has(&of(NORTH), 90_000));
        // Another history: whoever waits looks once, as the number of the history says; who comes then waits as ever.
        let before = seen.history;
        seen.add(Moves {
            position: 80_000,
            yards: None,
        });
        assert_ne!(seen.history, before);
        assert!(!seen.has(&of(NORTH), 80_000) && !seen.has(&Interest::Everything, 80_000));
        assert!(seen.has(&of(NORTH), 79_999));
        seen.add(moved(80_001, &[(NORTH, 80_001)]));
        assert!(seen.has(&of(NORTH), 80_000) && !seen.has(&of(SOUTH), 80_000));
    }

    #[tokio::test(start_paused = true)]
    async fn a_ledger_that_goes_back_wakes_each_who_waits_once_and_nobody_who_comes_after() {
        let (_stop, stopping) = watch::channel(false);
        let waiting = Arc::new(Waiting::new(2, stopping));
        let wait = |after| {
            let waiting = Arc::clone(&waiting);
            tokio::spawn(async move {
                let until = Instant::now() + Duration::from_secs(10);
                waiting.wait(&of(NORTH), after, until).await
            })
        };
        waiting
            .seen
            .send_modify(|seen| seen.add(moved(90, &[(NORTH, 90)])));
        let (beyond, within) = (wait(90), wait(95));
        tokio::task::yield_now().await;
        assert_eq!(waiting.under_way(), 2);
        let back = Moves {
            position: 50,
            yards: None,
        };
        waiting.seen.send_modify(|seen| seen.add(back));
        assert_eq!(beyond.await.unwrap(), Over::Moved);
        assert_eq!(within.await.unwrap(), Over::Moved);
        assert_eq!(wait(50).await.unwrap(), Over::InVain);
    }

    #[tokio::test(start_paused = true)]
    async fn a_wait_ends_by_what_happens_by_its_time_by_the_stop_or_not_at_all_where_there_is_no_place() {
        let (stop, stopping) = watch::channel(false);
        let waiting = Arc::new(Waiting::new(2, stopping));
        let wait = |seconds| {
            let waiting = Arc::clone(&waiting);
            tokio::spawn(async move {
                let begun = Instant::now();
                let over = waiting
                    .wait(&of(NORTH), 5, begun + Duration::from_secs(seconds))
                    .await;
                (over, begun.elapsed().as_secs())
            })
        };
        let (first, second) = (wait(10), wait(20));
        tokio::task::yield_now().await;
        assert_eq!(waiting.under_way(), 2);
        assert_eq!(
            wait(10).await.unwrap(),
            (Over::AtOnce, 0),
            "both places are taken"
        );
        waiting.seen.send_modify(|seen| seen.add(moved(6, &[(SOUTH, 6)])));
        assert_eq!(first.await.unwrap(), (Over::InVain, 10));
        waiting.seen.send_modify(|seen| seen.add(moved(7, &[(NORTH, 7)])));
        assert_eq!(second.await.unwrap(), (Over::Moved, 10));
        assert_eq!(waiting.under_way(), 0);
        let third = {
            let waiting = Arc::clone(&waiting);
            tokio::spawn(async move {
                waiting
                    .wait(&of(NORTH), 7, Instant::now() + Duration::from_secs(25))
                    .await
            })
        };
        tokio::task::yield_now().await;
        let begun = Instant::now();
        stop.send(true).unwrap();
        assert_eq!(third.await.unwrap(), Over::AtOnce);
        assert_eq!(begun.elapsed(), Duration::ZERO);
        assert_eq!(wait(10).await.unwrap(), (Over::AtOnce, 0), "it stops");
    }
}
