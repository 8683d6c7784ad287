//! The fold: the state of a clamp as a pure function of the set of its entries and of the reference data.
//!
//! The set is put in one order first, by counted time and id, so the order of arrival, repetition and batching
//! cannot matter. [`ClampState::apply`] takes one more entry at the end of that order; an entry that belongs
//! further ahead, or that changes what earlier ones mean, is met by folding the whole set again.

mod apply;
mod claims;
mod heads;
mod own;
mod state;
mod uses;

pub use heads::Heads;
pub use own::{Elsewhere, Shown};
pub use state::*;
#[cfg(test)]
pub(crate) use uses::JOINED_WITHIN;
pub use uses::{Span, Uses};

use crate::entry::{Body, Entry};
use crate::ids::{ClampId, EntryId, LockoutId};
use crate::reference::Reference;
use std::collections::{BTreeMap, BTreeSet};

/// Entries that others cite, by id.
pub type Evidence = BTreeMap<EntryId, Entry>;

/// What has to be at hand before an entry is applied.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Needs {
    /// Entries that are cited.
    pub entries: BTreeSet<EntryId>,
    /// Lock-outs that are named and may be closed already.
    pub lockouts: BTreeSet<LockoutId>,
}

/// Folds a set of entries, given in any order, any of them any number of times.
pub fn fold(clamp: ClampId, entries: &[Entry], reference: &Reference) -> ClampState {
    let of_this_clamp = entries.iter().filter(|entry| entry.clamp_id == clamp);
    let unique: BTreeMap<EntryId, &Entry> = of_this_clamp.map(|entry| (entry.id, entry)).collect();
    let mut ordered: Vec<&Entry> = unique.into_values().collect();
    ordered.sort_by_key(|entry| entry.order());
    let mut state = ClampState::new(clamp);
    // Where the clamp was, an entry may be judged by; an amendment acts at the time of what it amends: both are known
    // before the walk begins.
    state.note_places(ordered.iter().copied());
    for entry in &ordered {
        state.note_amendment(entry, reference);
    }
    // Evidence counts from its own time on: a return waits for what comes later, and what was done meanwhile was
    // done with a barred clamp.
    let mut evidence = Evidence::new();
    for entry in ordered {
        evidence.insert(entry.id, entry.clone());
        state.apply(entry, &evidence, reference);
    }
    state
}

impl ClampState {
    /// Whether `entry` can be applied to this state as it is. Otherwise the whole set has to be folded again.
    pub fn can_apply(&self, entry: &Entry) -> bool {
        let comes_last = self.last.is_none_or(|last| last < entry.order());
        let changes_nothing_earlier = match &entry.body {
            Body::Amended(_) => false,
            // What was written before it may have been judged by its yard and model.
            Body::Registered(_) => self.entries == 0,
            // A lock-out that was closed within the period is no longer in the state.
            Body::Used(used) => self.last_closed_at.is_none_or(|closed| closed <= used.from),
            Body::Inspected(_)
            | Body::TaggedOut(_)
            | Body::Repaired(_)
            | Body::ProofTested(_)
            | Body::ReturnedToService(_)
            | Body::Confirmed(_)
            | Body::Transferred(_)
            | Body::Issued(_)
            | Body::Received(_)
            | Body::Classified(_)
            | Body::Retired(_)
            | Body::Reassessed(_) => true,
        };
        // A state that was kept before places were noted has to note them first.
        let places_are_noted = self.entries == 0 || !self.shown.is_empty();
        comes_last && changes_nothing_earlier && places_are_noted
    }

    /// What has to be at hand before `entry` is applied or judged.
    pub fn needs(&self, entry: &Entry) -> Needs {
        let mut needs = Needs::default();
        match &entry.body {
            Body::ReturnedToService(returned) => cite(&returned.releases, &mut needs),
            Body::Inspected(inspected) => {
                needs.entries.extend(inspected.after_repair_of);
                needs.lockouts.extend(&inspected.lockouts);
            }
            Body::Repaired(repaired) => needs.lockouts.extend(&repaired.answers),
            Body::Amended(amended) => {
                needs.entries.insert(amended.cites);
            }
            Body::Confirmed(confirmed) => {
                needs.entries.insert(confirmed.confirms);
            }
            Body::Registered(_)
            | Body::TaggedOut(_)
            | Body::ProofTested(_)
            | Body::Transferred(_)
            | Body::Issued(_)
            | Body::Received(_)
            | Body::Classified(_)
            | Body::Used(_)
            | Body::Retired(_)
            | Body::Reassessed(_) => {}
        }
        for waiting in self.waiting.values() {
            cite(&waiting.releases, &mut needs);
            // A proof test may be cited by a release that is settled already, and support one that waits.
            if let Body::ReturnedToService(returned) = &waiting.entry.body {
                cite(&returned.releases, &mut needs);
            }
            needs.entries.insert(waiting.entry.id);
        }
        // An inspection cited as evidence may itself cite a repair; the store loads citations of cited entries too.
        needs
    }
}

fn cite(releases: &[crate::entry::Release], needs: &mut Needs) {
    for release in releases {
        needs.lockouts.insert(release.lockout_id);
        needs.entries.extend(release.repair_entry);
        needs.entries.extend(release.inspection_entry);
        needs.entries.extend(release.proof_test_entry);
        needs.entries.extend(release.correction_entry);
    }
}
