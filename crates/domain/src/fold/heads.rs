//! What is followed by naming its predecessor: where a clamp is, and its service class.
//!
//! An entry that names the one it replaces takes its place; entries that name nothing stand side by side. Whether
//! the predecessor has arrived yet makes no difference.

use crate::ids::EntryId;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// Values that replace one another by name.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Heads<T> {
    /// Values that nothing known replaces.
    live: BTreeMap<EntryId, T>,
    /// Entries that are replaced, known or not.
    replaced: BTreeSet<EntryId>,
}

impl<T> Default for Heads<T> {
    fn default() -> Self {
        Self {
            live: BTreeMap::new(),
            replaced: BTreeSet::new(),
        }
    }
}

impl<T> Heads<T> {
    /// Adds what an entry says.
    pub fn add(&mut self, entry: EntryId, value: T, replaces: Option<EntryId>) {
        if let Some(predecessor) = replaces.filter(|predecessor| *predecessor != entry) {
            self.live.remove(&predecessor);
            self.replaced.insert(predecessor);
        }
        if !self.replaced.contains(&entry) {
            self.live.insert(entry, value);
        }
    }
    /// The values that stand, each with its entry.
    pub fn live(&self) -> impl Iterator<Item = (EntryId, &T)> {
        self.live.iter().map(|(entry, value)| (*entry, value))
    }
    /// The one value that stands, if there is just one.
    pub fn only(&self) -> Option<(EntryId, &T)> {
        let mut live = self.live();
        let first = live.next()?;
        live.next().is_none().then_some(first)
    }
    /// A value that stands, by its entry.
    pub fn get(&self, entry: EntryId) -> Option<&T> {
        self.live.get(&entry)
    }
}
