//! Taking entries up one at a time, as they arrive, comes to the same as folding the whole set.
//!
//! Method: a store in miniature. It keeps the state as JSON without closed lock-outs, loads what is needed, applies
//! where it may, and folds everything again where it may not.

use crate::cases;
use crate::random::{Case, case};
use crate::support::World;
use clampward_domain::entry::Entry;
use clampward_domain::fold::{ClampState, Evidence, fold};
use clampward_domain::ids::{ClampId, EntryId, LockoutId};
use clampward_domain::lockout::Lockout;
use proptest::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

pub struct Shelf {
    world: World,
    clamp: ClampId,
    rows: BTreeMap<EntryId, Entry>,
    state: String,
    closed: BTreeMap<LockoutId, Lockout>,
    pub applied: usize,
}

impl Shelf {
    pub fn new(world: &World, clamp: ClampId) -> Self {
        Self {
            world: world.clone(),
            clamp,
            rows: BTreeMap::new(),
            state: serde_json::to_string(&ClampState::new(clamp)).unwrap(),
            closed: BTreeMap::new(),
            applied: 0,
        }
    }
    pub fn record(&mut self, entry: &Entry) {
        if self.rows.contains_key(&entry.id) {
            return;
        }
        let mut state: ClampState = serde_json::from_str(&self.state).unwrap();
        let needs = state.needs(entry);
        state.hydrate(
            needs
                .lockouts
                .iter()
                .filter_map(|id| self.closed.get(id))
                .cloned()
                .collect(),
        );
        if state.can_apply(entry) {
            let mut evidence = Evidence::new();
            let mut wanted = needs.entries;
            while !wanted.is_empty() {
                let found: Vec<Entry> = wanted
                    .iter()
                    .filter_map(|id| self.rows.get(id))
                    .cloned()
                    .collect();
                wanted = found
                    .iter()
                    .flat_map(|entry| state.needs(entry).entries)
                    .collect();
                evidence.extend(found.into_iter().map(|entry| (entry.id, entry)));
                wanted = wanted
                    .into_iter()
                    .filter(|id| !evidence.contains_key(id))
                    .collect::<BTreeSet<_>>();
            }
            state.apply(entry, &evidence, &self.world.reference);
            self.applied += 1;
            self.rows.insert(entry.id, entry.clone());
        } else {
            self.rows.insert(entry.id, entry.clone());
            let all: Vec<Entry> = self.rows.values().cloned().collect();
            state = fold(self.clamp, &all, &self.world.reference);
            self.closed.clear();
        }
        for lockout in state.take_closed() {
            self.closed.insert(lockout.id, lockout);
        }
        self.state = serde_json::to_string(&state).unwrap();
    }
    /// The state with the closed lock-outs brought back.
    pub fn whole(&self) -> ClampState {
        let mut state: ClampState = serde_json::from_str(&self.state).unwrap();
        state.hydrate(self.closed.values().cloned().collect());
        state
    }
}

fn arrivals() -> impl Strategy<Value = (Case, Vec<Entry>)> {
    case().prop_flat_map(|case| {
        let entries = case.entries.clone();
        let mut ordered = entries.clone();
        ordered.sort_by_key(Entry::order);
        let arrival = prop_oneof![Just(ordered), Just(entries.clone()), Just(entries).prop_shuffle()];
        (Just(case), arrival)
    })
}

proptest! {
    #![proptest_config(cases(1_600))]

    #[test]
    fn one_at_a_time_equals_all_at_once((case, arrival) in arrivals()) {
        let mut shelf = Shelf::new(&case.world, case.clamp);
        for (index, entry) in arrival.iter().enumerate() {
            shelf.record(entry);
            // Every third is enough to find a difference, and three times as fast.
            if index % 3 == 0 || index + 1 == arrival.len() {
                let all = fold(case.clamp, &arrival[..=index], &case.world.reference);
                prop_assert_eq!(shelf.whole(), all, "after {} entries", index + 1);
            }
        }
    }
}

#[test]
fn entries_that_come_in_order_are_applied_without_folding_again() {
    // Otherwise the property above would say nothing.
    let mut clamp = crate::support::History::in_service(World::new(), "houston");
    for month in 2..9 {
        let when = format!("2025-0{month}-01T15:00Z");
        clamp.accepted(
            &when,
            "inspector",
            clampward_domain::words::InspectionKind::Frequent,
        );
    }
    let mut shelf = Shelf::new(&clamp.world, clamp.clamp);
    clamp.entries.iter().for_each(|entry| shelf.record(entry));
    assert_eq!(shelf.applied, clamp.entries.len());
}
