//! Who signed in from where before: in a flood they go first, however many strangers come from the same address.
//!
//! Kept in the process's memory alone and bounded: after a restart everybody is a stranger, who waits fairly. Whoever
//! floods the service learns from it at most who signed in from their own address before.

use super::queue::Origin;
use crate::limits::FAMILIAR;
use clampward_store::people::AccountKey;
use std::collections::HashSet;
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Accounts and the addresses that they signed in from.
#[derive(Default)]
pub struct Familiar(Mutex<HashSet<(AccountKey, Origin)>>);

impl Familiar {
    /// Whether somebody signed in to the account from there.
    pub fn knows(&self, account: AccountKey, origin: Origin) -> bool {
        self.lock().contains(&(account, origin))
    }
    /// Somebody did.
    pub fn remember(&self, account: AccountKey, origin: Origin) {
        let mut known = self.lock();
        if known.len() >= FAMILIAR.count() {
            // Only who signs in stands here, so that this is far off; and nobody is worse off than after a restart.
            known.clear();
        }
        known.insert((account, origin));
    }
    fn lock(&self) -> MutexGuard<'_, HashSet<(AccountKey, Origin)>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn somebody_is_familiar_with_their_own_account_from_their_own_address_alone() {
        let from = |address: &str| Origin::of(address.parse().ok());
        let (mara, tor) = (AccountKey::of("mara@a.example"), AccountKey::of("tor@a.example"));
        let familiar = Familiar::default();
        familiar.remember(mara, from("192.0.2.7"));
        assert!(familiar.knows(mara, from("192.0.2.7")));
        assert!(!familiar.knows(tor, from("192.0.2.7")));
        assert!(!familiar.knows(mara, from("192.0.2.8")));
    }

    #[test]
    fn no_more_are_remembered_than_the_limit() {
        let familiar = Familiar::default();
        for number in 0..=FAMILIAR.count() {
            familiar.remember(AccountKey::of(&format!("{number}@a.example")), Origin::default());
        }
        assert!(familiar.lock().len() <= FAMILIAR.count());
    }
}
