//! One password of an account at a time: whoever guesses on one account takes one place in the queue of all, and a few
//! more of the same account wait outside it.

use crate::limits::ACCOUNT_CHECKS;
use clampward_store::people::AccountKey;
use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// Too many are signing in to one account.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("too many are signing in to this account")]
pub struct Crowded;

/// The accounts that somebody is signing in to.
#[derive(Default)]
pub struct Turns {
    accounts: Mutex<HashMap<AccountKey, Account>>,
}

struct Account {
    one: Arc<Semaphore>,
    inside: usize,
}

/// One's turn, until it is dropped.
pub struct Turn {
    // The next one's turn begins before this one is counted out: fields are dropped in this order.
    _alone: OwnedSemaphorePermit,
    _inside: Inside,
}

struct Inside {
    turns: Arc<Turns>,
    account: AccountKey,
}

impl Drop for Inside {
    fn drop(&mut self) {
        let mut accounts = self.turns.lock();
        if let Some(account) = accounts.get_mut(&self.account) {
            account.inside = account.inside.saturating_sub(1);
            if account.inside == 0 {
                accounts.remove(&self.account);
            }
        }
    }
}

impl Turns {
    /// Waits for one's turn.
    pub async fn wait(self: &Arc<Self>, account: AccountKey) -> Result<Turn, Crowded> {
        let (inside, one) = self.go_in(account)?;
        // Nobody closes it; if somebody did, there would be no turn.
        let alone = one.acquire_owned().await.map_err(|_| Crowded)?;
        Ok(Turn {
            _alone: alone,
            _inside: inside,
        })
    }
    fn go_in(self: &Arc<Self>, account: AccountKey) -> Result<(Inside, Arc<Semaphore>), Crowded> {
        let mut accounts = self.lock();
        let entry = accounts.entry(account).or_insert_with(|| Account {
            one: Arc::new(Semaphore::new(1)),
            inside: 0,
        });
        if entry.inside >= ACCOUNT_CHECKS.count() {
            return Err(Crowded);
        }
        entry.inside += 1;
        let inside = Inside {
            turns: Arc::clone(self),
            account,
        };
        Ok((inside, Arc::clone(&entry.one)))
    }
    fn lock(&self) -> MutexGuard<'_, HashMap<AccountKey, Account>> {
        self.accounts.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::pin::pin;
    use std::task::{Context, Poll, Waker};

    fn look<T>(future: std::pin::Pin<&mut impl Future<Output = T>>) -> Poll<T> {
        future.poll(&mut Context::from_waker(Waker::noop()))
    }

    #[test]
    fn one_account_has_one_turn_at_a_time_and_another_does_not_wait_for_it() {
        let turns = Arc::new(Turns::default());
        let (mara, tor) = (AccountKey::of("mara@a.example"), AccountKey::of("tor@a.example"));
        let Poll::Ready(Ok(first)) = look(pin!(turns.wait(mara))) else {
            panic!("free")
        };
        let mut second = pin!(turns.wait(mara));
        let mut third = pin!(turns.wait(mara));
        let mut fourth = pin!(turns.wait(mara));
        for waiting in [&mut second, &mut third, &mut fourth] {
            assert!(look(waiting.as_mut()).is_pending());
        }
        assert!(matches!(look(pin!(turns.wait(mara))), Poll::Ready(Err(Crowded))));
        assert!(matches!(look(pin!(turns.wait(tor))), Poll::Ready(Ok(_))));
        drop(first);
        assert!(matches!(look(second.as_mut()), Poll::Ready(Ok(_))));
        assert!(matches!(look(third.as_mut()), Poll::Ready(Ok(_))));
    }

    #[test]
    fn nothing_is_remembered_of_an_account_that_nobody_is_signing_in_to() {
        let turns = Arc::new(Turns::default());
        for n in 0..1000 {
            let account = AccountKey::of(&format!("person-{n}@a.example"));
            assert!(matches!(look(pin!(turns.wait(account))), Poll::Ready(Ok(_))));
        }
        assert!(turns.lock().is_empty());
    }
}
