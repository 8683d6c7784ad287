//! What is refused under load, and in which order: exports, then lists and reports, then writes. Fitness questions,
//! lift checks and tag-outs have room of their own, which nothing else takes; so has sign-in, whose bodies are read before
//! anybody knows who sends them.
//!
//! Nobody waits here: whoever finds no room is told to come back. Knows no HTTP but the word for a class.

use crate::config::Limits;
use crate::limits;
use std::collections::HashMap;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use uuid::Uuid;

/// How dearly a request is held, cheapest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Class {
    /// Whole lists as CSV or NDJSON.
    Exports,
    /// Pages of lists, and reports.
    Lists,
    /// What anybody may ask for who is not signed in: sign-in itself.
    SignIn,
    /// What is recorded, and what is read in order to record it.
    Writes,
    /// May it be used, may it be lifted, and tagging out.
    Fitness,
}

impl Class {
    /// All of them, cheapest first.
    pub const ALL: [Self; 5] = [
        Self::Exports,
        Self::Lists,
        Self::SignIn,
        Self::Writes,
        Self::Fitness,
    ];
    /// Its name.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Exports => "exports",
            Self::Lists => "lists",
            Self::SignIn => "sign_in",
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
    sign_in: Room,
    writes: Room,
    fitness: Room,
    /// Exports, lists and writes.
    together: AtomicUsize,
    /// Exports under way of each account that has any.
    exporting: Mutex<HashMap<Uuid, usize>>,
}

/// Most exports of one account at once, where there is room for several accounts.
const OWN_EXPORTS: usize = 2;

#[derive(Debug)]
struct Room {
    /// Most of this class.
    own: usize,
    /// Begins only while fewer than so many share the common room; fitness and sign-in do not share it.
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
            sign_in: Room::new(limits.sign_ins, None),
            writes: Room::new(limits.writes, Some(limits::WRITES_TOGETHER)),
            fitness: Room::new(limits.fitness, None),
            together: AtomicUsize::new(0),
            exporting: Mutex::default(),
        }
    }
    /// So many exports one account may have: never all the places that there are, unless there is one.
    fn own_exports(&self) -> usize {
        (self.exports.own / 2).clamp(1, OWN_EXPORTS)
    }
    fn room(&self, class: Class) -> &Room {
        match class {
            Class::Exports => &self.exports,
            Class::Lists => &self.lists,
            Class::SignIn => &self.sign_in,
            Class::Writes => &self.writes,
            Class::Fitness => &self.fitness,
        }
    }
    fn exporting(&self) -> MutexGuard<'_, HashMap<Uuid, usize>> {
        self.exporting.lock().unwrap_or_else(PoisonError::into_inner)
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
            return Some(Place {
                shedder,
                class,
                account: None,
            });
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
    /// Whose export it is, once that is known.
    account: Option<Uuid>,
}

impl Place {
    /// Of which class it is.
    pub fn class(&self) -> Class {
        self.class
    }
    /// Says whose it is. Of an export answers whether that account may have one more: otherwise one account that does not
    /// read would keep everybody else from theirs.
    pub fn claim(&mut self, account: Uuid) -> bool {
        if self.class != Class::Exports || self.account.is_some() {
            return true;
        }
        let most = self.shedder.own_exports();
        let mut exporting = self.shedder.exporting();
        let own = exporting.entry(account).or_default();
        if *own >= most {
            drop(exporting);
            self.shedder.exports.refused.fetch_add(1, Ordering::Relaxed);
            return false;
        }
        *own = own.saturating_add(1);
        drop(exporting);
        self.account = Some(account);
        true
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        if let Some(account) = self.account {
            let mut exporting = self.shedder.exporting();
            if let Some(own) = exporting.get_mut(&account) {
                *own = own.saturating_sub(1);
                if *own == 0 {
                    exporting.remove(&account);
                }
            }
        }
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
            let classes = [Class::Exports, Class::Lists, Class::Writes, Class::Fitness];
            let answers = classes.map(|class| shedder.enter(class).is_some());
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
    fn fitness_and_sign_in_take_no_room_from_writes_and_are_bounded_too() {
        for (class, limit) in [
            (Class::Fitness, limits::FITNESS),
            (Class::SignIn, limits::SIGN_INS),
        ] {
            let shedder = Arc::new(Shedder::new(&Limits::default()));
            let held: Vec<_> = (0..limit.count()).map_while(|_| shedder.enter(class)).collect();
            assert_eq!(held.len(), limit.count());
            assert!(shedder.enter(class).is_none());
            assert_eq!(shedder.refused(class), 1);
            for other in Class::ALL.into_iter().filter(|other| *other != class) {
                assert!(shedder.enter(other).is_some(), "{}", other.name());
            }
        }
    }

    #[test]
    fn one_account_never_has_all_the_exports_that_there_are() {
        let (one, other) = (Uuid::from_u128(1), Uuid::from_u128(2));
        // (places, of which one account may have).
        for (places, own) in [(4, 2), (8, 2), (3, 1), (2, 1), (1, 1)] {
            let shedder = Arc::new(Shedder::new(&Limits {
                exports: places,
                ..Limits::default()
            }));
            let claimed = |account| {
                let mut place = shedder.enter(Class::Exports)?;
                place.claim(account).then_some(place)
            };
            let mut held: Vec<Place> = (0..own).filter_map(|_| claimed(one)).collect();
            assert_eq!(held.len(), own, "{places} places");
            assert!(claimed(one).is_none());
            assert_eq!(claimed(other).is_some(), places > own, "{places} places");
            // A stream lets its reader in again and again: that is one export all the same.
            assert!(held.iter_mut().all(|place| place.claim(one)));
            held.pop();
            assert!(claimed(one).is_some(), "what was given back can be had again");
        }
        let shedder = Arc::new(Shedder::new(&Limits::default()));
        let mut lists: Vec<Place> = (0..9).filter_map(|_| shedder.enter(Class::Lists)).collect();
        assert!(lists.iter_mut().all(|place| place.claim(one)), "lists are short");
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
