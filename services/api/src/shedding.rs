//! What is refused under load, and in which order: exports, then lists and reports, then writes. Fitness questions,
//! lift checks and tag-outs have room of their own, which nothing else takes.
//!
//! Nobody waits here: whoever finds no room is told to come back. Knows no HTTP but the word for a class.

use crate::config::Limits;
use crate::limits;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};

/// How dearly a request is held, cheapest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Class {
    /// Whole lists as CSV or NDJSON.
    Exports,
    /// Pages of lists, and reports.
    Lists,
    /// What is recorded, what is read in order to record it, and sign-in.
    Writes,
    /// May it be used, may it be lifted, and tagging out.
    Fitness,
}

impl Class {
    /// All of them, cheapest first.
    pub const ALL: [Self; 4] = [Self::Exports, Self::Lists, Self::Writes, Self::Fitness];
    /// Its name.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Exports => "exports",
            Self::Lists => "lists",
            Self::Writes => "writes",
            Self::Fitness => "fitness",
        }
    }
    /// The class of a name.
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|class| class.name() == name)
    }
}

/// Requests under way in one process.
#[derive(Debug)]
pub struct Shedder {
    exports: Room,
    lists: Room,
    writes: Room,
    fitness: Room,
    /// Exports, lists and writes.
    together: AtomicUsize,
}

#[derive(Debug)]
struct Room {
    /// Most of this class.
    own: usize,
    /// Begins only while fewer than so many share the common room; fitness does not share it.
    together: Option<usize>,
    under_way: AtomicUsize,
    refused: AtomicU64,
}

impl Room {
    fn new(own: usize, together: Option<limits::Limit>) -> Self {
        Self {
            own,
            together: together.map(|limit| limit.count()),
            under_way: AtomicUsize::new(0),
            refused: AtomicU64::new(0),
        }
    }
}

/// Takes a place unless so many are taken.
fn take(taken: &AtomicUsize, most: usize) -> bool {
    let next = |now: usize| (now < most).then(|| now.saturating_add(1));
    taken
        .fetch_update(Ordering::Relaxed, Ordering::Relaxed, next)
        .is_ok()
}

impl Shedder {
    /// With the room that an installation chose.
    pub fn new(limits: &Limits) -> Self {
        Self {
            exports: Room::new(limits.exports, Some(limits::EXPORTS_TOGETHER)),
            lists: Room::new(limits.lists, Some(limits::LISTS_TOGETHER)),
            writes: Room::new(limits.writes, Some(limits::WRITES_TOGETHER)),
            fitness: Room::new(limits.fitness, None),
            together: AtomicUsize::new(0),
        }
    }
    fn room(&self, class: Class) -> &Room {
        match class {
            Class::Exports => &self.exports,
            Class::Lists => &self.lists,
            Class::Writes => &self.writes,
            Class::Fitness => &self.fitness,
        }
    }
    /// A place for a request, or nothing: then it is to be refused.
    pub fn enter(self: &Arc<Self>, class: Class) -> Option<Place> {
        let room = self.room(class);
        let entered = take(&room.under_way, room.own) && {
            let shared = room.together.is_none_or(|most| take(&self.together, most));
            if !shared {
                room.under_way.fetch_sub(1, Ordering::Relaxed);
            }
            shared
        };
        if entered {
            let shedder = Arc::clone(self);
            return Some(Place { shedder, class });
        }
        room.refused.fetch_add(1, Ordering::Relaxed);
        None
    }
    /// Whether three quarters of a class's room are taken.
    pub fn is_crowded(&self, class: Class) -> bool {
        let room = self.room(class);
        let taken = room.under_way.load(Ordering::Relaxed).saturating_mul(4);
        let together = self.together.load(Ordering::Relaxed).saturating_mul(4);
        taken > room.own.saturating_mul(3)
            || room
                .together
                .is_some_and(|most| together > most.saturating_mul(3))
    }
    /// How many of a class are under way.
    pub fn under_way(&self, class: Class) -> usize {
        self.room(class).under_way.load(Ordering::Relaxed)
    }
    /// How many of a class were refused since the process began.
    pub fn refused(&self, class: Class) -> u64 {
        self.room(class).refused.load(Ordering::Relaxed)
    }
}

/// A request's place; given back when dropped.
#[derive(Debug)]
pub struct Place {
    shedder: Arc<Shedder>,
    class: Class,
}

impl Place {
    /// Of which class it is.
    pub fn class(&self) -> Class {
        self.class
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let room = self.shedder.room(self.class);
        room.under_way.fetch_sub(1, Ordering::Relaxed);
        if room.together.is_some() {
            self.shedder.together.fetch_sub(1, Ordering::Relaxed);
        }
    }
}

#[cfg(test)]
mod tests {
    //! Under load, exports go first and fitness stays.

    use super::*;

    /// So many of each class hold their places.
    fn busy(shedder: &Arc<Shedder>, exports: usize, lists: usize, writes: usize) -> Vec<Place> {
        let mut held = Vec::new();
        for (class, number) in [
            (Class::Exports, exports),
            (Class::Lists, lists),
            (Class::Writes, writes),
        ] {
            held.extend((0..number).map(|_| shedder.enter(class).unwrap()));
        }
        assert_eq!(held.len(), exports + lists + writes);
        held
    }

    #[test]
    fn under_load_exports_are_refused_before_lists_lists_before_writes_and_fitness_never() {
        // (exports, lists, writes under way) → whether one more of (exports, lists, writes, fitness) begins.
        for (exports, lists, writes, begins) in [
            (0, 0, 0, [true, true, true, true]),
            (3, 20, 8, [true, true, true, true]),
            (4, 0, 0, [false, true, true, true]),
            (0, 0, 31, [true, true, true, true]),
            (0, 0, 32, [false, true, true, true]),
            (0, 48, 0, [false, false, true, true]),
            (2, 10, 51, [false, true, true, true]),
            (2, 10, 52, [false, false, true, true]),
            (0, 0, 64, [false, false, true, true]),
            (0, 0, 95, [false, false, true, true]),
            (0, 0, 96, [false, false, false, true]),
            (0, 40, 88, [false, false, false, true]),
        ] {
            let shedder = Arc::new(Shedder::new(&Limits::default()));
            let held = busy(&shedder, exports, lists, writes);
            let answers = Class::ALL.map(|class| shedder.enter(class).is_some());
            assert_eq!(
                answers, begins,
                "{exports} exports, {lists} lists, {writes} writes"
            );
            // Once they are done, everything begins again: no place is lost.
            drop(held);
            assert!(Class::ALL.iter().all(|class| shedder.enter(*class).is_some()));
        }
    }

    #[test]
    fn fitness_takes_no_room_from_writes_and_is_bounded_too() {
        let shedder = Arc::new(Shedder::new(&Limits::default()));
        let most = limits::FITNESS.count();
        let held: Vec<_> = (0..most).map_while(|_| shedder.enter(Class::Fitness)).collect();
        assert_eq!(held.len(), most);
        assert!(shedder.enter(Class::Fitness).is_none());
        assert_eq!(shedder.refused(Class::Fitness), 1);
        assert!(shedder.enter(Class::Exports).is_some());
        assert!(shedder.enter(Class::Writes).is_some());
    }

    #[test]
    fn a_place_is_given_back_however_the_request_ends() {
        let limits = Limits {
            exports: 1,
            ..Limits::default()
        };
        let shedder = Arc::new(Shedder::new(&limits));
        let place = shedder.enter(Class::Exports).unwrap();
        assert!(shedder.enter(Class::Exports).is_none());
        let panicked = std::panic::catch_unwind(std::panic::AssertUnwindSafe(move || {
            let _place = place;
            panic!("a handler");
        }));
        assert!(panicked.is_err());
        assert_eq!(shedder.under_way(Class::Exports), 0);
        assert!(shedder.enter(Class::Exports).is_some());
    }
}
