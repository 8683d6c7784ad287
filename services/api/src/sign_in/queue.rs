//! The queue before the places where passwords are hashed: bounded, and fair between the addresses that ask.
//!
//! Whoever sends a thousand passwords waits behind themselves: the next place goes to the address that was served least
//! among those that wait, and a newcomer takes the last place in a full queue from the address that holds most of it.
//! Before all of them go those who are familiar: one at a time for each account, so that they cannot fill it.
//! Knows nothing of passwords and accounts.

use crate::limits::HASH_QUEUE;
use std::collections::HashMap;
use std::net::{IpAddr, Ipv6Addr};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::oneshot;

/// Where a request comes from, as far as fairness goes: an IPv4 address or an IPv6 network of 64 bits, which is the
/// least that one subscriber holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Default)]
pub struct Origin(Option<IpAddr>);

impl Origin {
    /// Of the other end of a connection.
    pub fn of(address: Option<IpAddr>) -> Self {
        Self(address.map(|address| match address.to_canonical() {
            IpAddr::V4(address) => IpAddr::V4(address),
            IpAddr::V6(address) => IpAddr::V6(Ipv6Addr::from_bits(address.to_bits() & (u128::MAX << 64))),
        }))
    }
}

/// Who asks for a place.
#[derive(Clone, Copy, Debug, Default)]
pub struct Guest {
    /// Where they come from.
    pub origin: Origin,
    /// Whether the account was signed in to from there before.
    pub familiar: bool,
}

/// The queue is full.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("too many wait already")]
pub struct Full;

/// A number of places and the queue before them.
pub struct FairQueue {
    state: Mutex<State>,
}

struct State {
    free: usize,
    /// The turn of whoever was let in last.
    turn: u64,
    arrivals: u64,
    waiting: Vec<Waiting>,
}

struct Waiting {
    guest: Guest,
    /// One more than that of the one before from the same origin: the lowest goes first.
    turn: u64,
    arrival: u64,
    call: oneshot::Sender<Place>,
}

/// A place; the next in the queue gets it when it is dropped.
pub struct Place(Option<Arc<FairQueue>>);

impl Drop for Place {
    fn drop(&mut self) {
        if let Some(queue) = self.0.take() {
            FairQueue::pass_on(queue);
        }
    }
}

impl FairQueue {
    /// A queue before so many places.
    pub fn new(places: usize) -> Arc<Self> {
        Arc::new(Self {
            state: Mutex::new(State {
                free: places.max(1),
                turn: 0,
                arrivals: 0,
                waiting: Vec::new(),
            }),
        })
    }
    /// Whether somebody would be sent away now: asked before anything that costs more.
    pub fn look(&self, guest: Guest) -> Result<(), Full> {
        let mut state = self.lock();
        if state.is_full() {
            state.whose_place(guest).map(|_| ())
        } else {
            Ok(())
        }
    }
    /// A place, after waiting for it. Whoever gives up waiting leaves the queue.
    pub async fn enter(self: &Arc<Self>, guest: Guest) -> Result<Place, Full> {
        let called = match self.lock().line_up(guest)? {
            None => return Ok(Place(Some(Arc::clone(self)))),
            Some(called) => called,
        };
        // Without a call, the place in the queue was taken by somebody who has less of it.
        called.await.map_err(|_| Full)
    }
    /// How many wait.
    pub fn waiting(&self) -> usize {
        let state = self.lock();
        state
            .waiting
            .iter()
            .filter(|waiting| !waiting.call.is_closed())
            .count()
    }
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
    /// Gives a place to the next who still waits.
    fn pass_on(queue: Arc<Self>) {
        loop {
            let next = queue.lock().next();
            let Some(next) = next else { return };
            match next.send(Place(Some(Arc::clone(&queue)))) {
                Ok(()) => return,
                // Gone meanwhile: the place must not pass itself on a second time.
                Err(mut place) => drop(place.0.take()),
            }
        }
    }
}

impl State {
    /// `None` where a place is free at once.
    fn line_up(&mut self, guest: Guest) -> Result<Option<oneshot::Receiver<Place>>, Full> {
        if self.free > 0 {
            self.free -= 1;
            return Ok(None);
        }
        if self.is_full() {
            let sent_away = self.whose_place(guest)?;
            drop(self.waiting.swap_remove(sent_away));
        }
        let own = self
            .waiting
            .iter()
            .filter(|waiting| waiting.guest.origin == guest.origin);
        let last = own.map(|waiting| waiting.turn).max().unwrap_or(0);
        let (call, called) = oneshot::channel();
        self.arrivals += 1;
        self.waiting.push(Waiting {
            guest,
            turn: last.max(self.turn) + 1,
            arrival: self.arrivals,
            call,
        });
        Ok(Some(called))
    }
    fn is_full(&mut self) -> bool {
        self.waiting.retain(|waiting| !waiting.call.is_closed());
        self.waiting.len() >= HASH_QUEUE.count()
    }
    /// Whose place in a full queue a newcomer takes: that of the latest stranger from the address that holds most of it. A
    /// familiar newcomer takes any stranger's; a stranger only where they would still hold less than that address.
    fn whose_place(&self, newcomer: Guest) -> Result<usize, Full> {
        let strangers = || {
            self.waiting
                .iter()
                .enumerate()
                .filter(|(_, waiting)| !waiting.guest.familiar)
        };
        let mut held: HashMap<Origin, usize> = HashMap::new();
        for (_, waiting) in strangers() {
            *held.entry(waiting.guest.origin).or_default() += 1;
        }
        let own = held.get(&newcomer.origin).copied().unwrap_or(0);
        let (most, count) = held.into_iter().max_by_key(|(_, count)| *count).ok_or(Full)?;
        if !newcomer.familiar && count <= own + 1 {
            return Err(Full);
        }
        strangers()
            .filter(|(_, waiting)| waiting.guest.origin == most)
            .max_by_key(|(_, waiting)| waiting.arrival)
            .map(|(index, _)| index)
            .ok_or(Full)
    }
    /// Whoever is next; without anybody the place is free.
    fn next(&mut self) -> Option<oneshot::Sender<Place>> {
        let next = self
            .waiting
            .iter()
            .enumerate()
            .min_by_key(|(_, waiting)| (!waiting.guest.familiar, waiting.turn, waiting.arrival))
            .map(|(index, _)| index);
        let Some(next) = next else {
            self.free += 1;
            return None;
        };
        let next = self.waiting.swap_remove(next);
        self.turn = self.turn.max(next.turn);
        Some(next.call)
    }
}

#[cfg(test)]
mod tests;
