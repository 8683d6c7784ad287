//! The rules of the model are those of the domain: each small history is folded for real.
//!
//! Method: every set of up to four entries that two devices can write, in every part that can have arrived, as real
//! rejections, repairs, re-inspections and returns to service.

use crate::rules::{EACH, ENTRIES, Rules, Said, Set, Written, numbers, one};
use crate::support::{History, World, at, release};
use clampward_domain::entry::Entry;
use clampward_domain::fold::fold;
use clampward_domain::ids::{EntryId, LockoutId, lockout_id};
use clampward_domain::words::{Component, Ground, InspectionKind};
use jiff::{Timestamp, ToSpan};
use std::collections::{BTreeMap, BTreeSet};

/// What is rejected: a lock, which a repair with a part of the maker clears.
const CRITERION: &str = "lock_does_not_hold";

/// A history of the model in real entries.
struct Real {
    history: History,
    /// The entries of each number: one for a rejection, three for a repair, its re-inspection and the return.
    parts: BTreeMap<usize, Vec<EntryId>>,
    lockouts: BTreeMap<usize, LockoutId>,
}

/// A time after everything that the entry's author can have known; none if that comes round in a circle.
fn hour(written: &Written, entry: usize) -> Option<i64> {
    fn latest(written: &Written, entry: usize, steps: usize) -> Option<i64> {
        let before = (!entry.is_multiple_of(EACH)).then(|| entry - 1);
        let named = match written[entry] {
            Some(Said::Returned { named }) => named,
            Some(Said::Rejected) | None => 0,
        };
        let mut after = 0;
        for known in before.into_iter().chain(numbers(named)) {
            after = after.max(latest(written, known, steps.checked_sub(1)?)?);
        }
        Some(after + 1)
    }
    latest(written, entry, ENTRIES)
}

fn instant(hour: i64, minutes: i64) -> String {
    let start: Timestamp = at("2025-02-03T06:00:00Z");
    (start + hour.hours() + minutes.minutes()).to_string()
}

impl Real {
    fn of(written: &Written) -> Self {
        let component = clampward_domain::criteria::criterion(CRITERION)
            .unwrap()
            .component;
        let mut real = Self {
            history: History::in_service(World::new(), "erie"),
            parts: BTreeMap::new(),
            lockouts: BTreeMap::new(),
        };
        let hour = |entry| hour(written, entry).unwrap();
        let mut order: Vec<usize> = (0..ENTRIES).filter(|entry| written[*entry].is_some()).collect();
        order.sort_by_key(|entry| hour(*entry));
        for entry in order {
            match written[entry] {
                Some(Said::Rejected) => real.rejected(entry, hour(entry)),
                Some(Said::Returned { named }) => real.returned(entry, named, hour(entry), component),
                None => {}
            }
        }
        real
    }

    fn rejected(&mut self, entry: usize, hour: i64) {
        let lockout = self.history.rejected(&instant(hour, 0), "designated", CRITERION);
        let id = self.history.entries.last().unwrap().id;
        self.parts.insert(entry, vec![id]);
        self.lockouts.insert(entry, lockout);
    }

    fn returned(&mut self, entry: usize, named: Set, hour: i64, component: Component) {
        let named: Vec<LockoutId> = numbers(named).map(|entry| self.lockouts[&entry]).collect();
        let history = &mut self.history;
        let repair = history.repaired(&instant(hour, 0), "technician", component, &named);
        let inspection = history.reinspected(&instant(hour, 10), "inspector", repair);
        let mut releases: Vec<_> = named
            .iter()
            .map(|lockout| release(*lockout, Ground::Repaired))
            .collect();
        releases.push(release(
            lockout_id(repair, "not_reinspected", ""),
            Ground::Reinspected,
        ));
        for release in &mut releases {
            release.inspection_entry = Some(inspection);
            release.repair_entry = (release.ground == Ground::Repaired).then_some(repair);
        }
        let returned = history.returned(&instant(hour, 20), "lead", releases);
        self.parts.insert(entry, vec![repair, inspection, returned]);
    }

    /// The clamp's first entries, and these of the others.
    fn entries(&self, arrived: &BTreeSet<EntryId>) -> Vec<Entry> {
        let of_the_model: BTreeSet<EntryId> = self.parts.values().flatten().copied().collect();
        let there = |entry: &&Entry| !of_the_model.contains(&entry.id) || arrived.contains(&entry.id);
        self.history.entries.iter().filter(there).cloned().collect()
    }

    fn open(&self, arrived: &BTreeSet<EntryId>) -> BTreeSet<LockoutId> {
        let state = fold(
            self.history.clamp,
            &self.entries(arrived),
            &self.history.world.reference,
        );
        state.open_lockouts().iter().map(|lockout| lockout.id).collect()
    }

    fn whole(&self, arrived: Set) -> BTreeSet<EntryId> {
        let there = numbers(arrived).filter_map(|entry| self.parts.get(&entry));
        there.flatten().copied().collect()
    }
}

/// Every history: each entry is missing, a rejection, or a return that names rejections that its author can know.
fn histories() -> Vec<Written> {
    let mut all: Vec<Written> = vec![[None; ENTRIES]];
    for entry in 0..ENTRIES {
        let sayings = [None, Some(Said::Rejected)]
            .into_iter()
            .chain((1..1 << ENTRIES).map(|named| Some(Said::Returned { named })));
        let sayings: Vec<_> = sayings.collect();
        all = all
            .into_iter()
            .flat_map(|written| {
                sayings.iter().map(move |said| {
                    let mut longer = written;
                    longer[entry] = *said;
                    longer
                })
            })
            .collect();
    }
    all.retain(|written| (0..ENTRIES).all(|entry| can_be_written(written, entry)));
    all
}

fn can_be_written(written: &Written, entry: usize) -> bool {
    let follows_another = entry.is_multiple_of(EACH) || written[entry - 1].is_some();
    match written[entry] {
        None => true,
        Some(Said::Rejected) => follows_another,
        Some(Said::Returned { named }) => {
            let rejected = numbers(named).all(|other| written[other] == Some(Said::Rejected));
            // Nobody names what is written on their own device only later.
            let known = numbers(named).all(|other| other / EACH != entry / EACH || other < entry);
            follows_another && rejected && known && hour(written, entry).is_some()
        }
    }
}

#[test]
fn the_rules_of_the_model_are_those_of_the_fold_for_every_small_history() {
    let histories = histories();
    let mut folded = 0;
    for written in &histories {
        let real = Real::of(written);
        let there = (0..ENTRIES)
            .filter(|entry| written[*entry].is_some())
            .fold(0, |set, entry| set | one(entry));
        for arrived in (0..1 << ENTRIES).filter(|arrived| arrived & !there == 0) {
            let expected: BTreeSet<LockoutId> = numbers(Rules::Named.open(written, numbers(arrived)))
                .map(|entry| real.lockouts[&entry])
                .collect();
            assert_eq!(
                real.open(&real.whole(arrived)),
                expected,
                "{written:?}, of which {arrived:04b} arrived"
            );
            folded += 1;
        }
    }
    eprintln!("{} histories, {folded} sets of entries", histories.len());
    assert!(histories.len() >= 60);
}

#[test]
fn a_return_that_arrived_in_part_opens_more_and_never_less() {
    let mut parts = 0;
    for written in histories() {
        let real = Real::of(&written);
        let all: Vec<EntryId> = real.parts.values().flatten().copied().collect();
        // Each entry is missing once.
        for missing in &all {
            let arrived: BTreeSet<EntryId> = all.iter().filter(|id| *id != missing).copied().collect();
            let of = real.parts.iter().find(|(_, ids)| ids.contains(missing)).unwrap();
            let whole = numbers(Set::MAX)
                .filter(|entry| entry != of.0)
                .fold(0, |set, entry| set | one(entry));
            let without = Rules::Named.open(&written, numbers(whole));
            let at_least: BTreeSet<LockoutId> = numbers(without).map(|entry| real.lockouts[&entry]).collect();
            let open = real.open(&arrived);
            assert!(open.is_superset(&at_least), "{written:?} without {missing}");
            parts += 1;
        }
    }
    assert!(parts > 500);
    // What a whole return leaves behind is nothing of its own: the re-inspection is asked for until it is there.
    let mut written = [None; ENTRIES];
    written[0] = Some(Said::Rejected);
    written[1] = Some(Said::Returned { named: one(0) });
    let real = Real::of(&written);
    let repair_only: BTreeSet<EntryId> = [real.parts[&0][0], real.parts[&1][0]].into();
    assert_eq!(real.open(&repair_only).len(), 2);
}

#[test]
fn an_accepting_inspection_alone_releases_nothing() {
    let mut written = [None; ENTRIES];
    written[0] = Some(Said::Rejected);
    let mut real = Real::of(&written);
    real.history
        .accepted(&instant(9, 0), "inspector", InspectionKind::Periodic);
    assert_eq!(real.open(&real.whole(one(0))), [real.lockouts[&0]].into());
}
