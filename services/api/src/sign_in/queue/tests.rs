//! Who gets the next place, and who is sent away.

use super::*;
use std::pin::Pin;
use std::task::{Context, Poll, Waker};

type Entering<'a> = Pin<Box<dyn Future<Output = Result<Place, Full>> + 'a>>;

fn from(address: &str) -> Guest {
    Guest {
        origin: Origin::of(Some(address.parse().expect("an address"))),
        familiar: false,
    }
}
fn familiar(address: &str) -> Guest {
    Guest {
        familiar: true,
        ..from(address)
    }
}
/// Enters as far as it goes at once.
fn enter(queue: &Arc<FairQueue>, guest: Guest) -> (Entering<'_>, Poll<Result<Place, Full>>) {
    let mut entering: Entering = Box::pin(queue.enter(guest));
    let poll = look(&mut entering);
    (entering, poll)
}
fn look(entering: &mut Entering) -> Poll<Result<Place, Full>> {
    entering.as_mut().poll(&mut Context::from_waker(Waker::noop()))
}
fn place(poll: Poll<Result<Place, Full>>) -> Place {
    match poll {
        Poll::Ready(Ok(place)) => place,
        Poll::Ready(Err(Full)) => panic!("sent away"),
        Poll::Pending => panic!("still waits"),
    }
}
fn waits(poll: &Poll<Result<Place, Full>>) -> bool {
    poll.is_pending()
}
fn sent_away(poll: &Poll<Result<Place, Full>>) -> bool {
    matches!(poll, Poll::Ready(Err(Full)))
}

const FLOOD: &str = "192.0.2.66";
const PERSON: &str = "192.0.2.7";

#[test]
fn somebody_else_is_next_however_many_of_a_flood_wait() {
    let queue = FairQueue::new(1);
    let first = place(enter(&queue, from(FLOOD)).1);
    let mut flood: Vec<_> = (0..10).map(|_| enter(&queue, from(FLOOD)).0).collect();
    let (mut person, poll) = enter(&queue, from(PERSON));
    assert!(waits(&poll));
    drop(first);
    // One of the flood came before the person with the same turn; then it is the person's.
    let one = place(look(&mut flood[0]));
    assert!(waits(&look(&mut person)));
    drop(one);
    let persons = place(look(&mut person));
    assert!(flood.iter_mut().skip(1).all(|one| waits(&look(one))));
    drop(persons);
    drop(place(look(&mut flood[1])));
}

#[test]
fn a_newcomer_takes_the_last_place_of_a_queue_that_one_address_fills() {
    let queue = FairQueue::new(1);
    let first = place(enter(&queue, from(FLOOD)).1);
    let mut flood: Vec<_> = (0..HASH_QUEUE.count())
        .map(|_| enter(&queue, from(FLOOD)).0)
        .collect();
    assert!(sent_away(&enter(&queue, from(FLOOD)).1), "the flood has it all");
    let (mut person, poll) = enter(&queue, from(PERSON));
    assert!(waits(&poll));
    let (latest, earlier) = flood.split_last_mut().expect("many");
    assert!(sent_away(&look(latest)));
    assert!(earlier.iter_mut().all(|one| waits(&look(one))));
    drop(first);
    drop(place(look(&mut earlier[0])));
    drop(place(look(&mut person)));
}

#[test]
fn a_queue_that_is_shared_evenly_sends_the_next_away() {
    let queue = FairQueue::new(1);
    let _first = place(enter(&queue, from(FLOOD)).1);
    let addresses: Vec<String> = (0..HASH_QUEUE.count())
        .map(|n| format!("198.51.100.{n}"))
        .collect();
    let mut waiting: Vec<_> = addresses
        .iter()
        .map(|address| enter(&queue, from(address)).0)
        .collect();
    assert!(sent_away(&enter(&queue, from(PERSON)).1));
    assert!(waiting.iter_mut().all(|one| waits(&look(one))));
}

#[test]
fn whoever_gives_up_waiting_leaves_the_queue_and_costs_nobody_a_place() {
    let queue = FairQueue::new(1);
    let first = place(enter(&queue, from(FLOOD)).1);
    let gone = enter(&queue, from(PERSON)).0;
    let called_and_gone = enter(&queue, from("192.0.2.8")).0;
    let (mut last, _) = enter(&queue, from("192.0.2.9"));
    drop(gone);
    drop(first);
    // Called, but gone before it looked: the place goes on.
    drop(called_and_gone);
    drop(place(look(&mut last)));
    assert_eq!(queue.lock().free, 1);
    drop(place(enter(&queue, from(PERSON)).1));
    assert_eq!(queue.lock().free, 1);
}

#[test]
fn there_are_as_many_places_as_were_made() {
    let queue = FairQueue::new(2);
    let one = place(enter(&queue, from(PERSON)).1);
    let other = place(enter(&queue, from(PERSON)).1);
    assert!(waits(&enter(&queue, from(PERSON)).1));
    drop((one, other));
    assert_eq!(queue.lock().free, 2);
    assert_eq!(FairQueue::new(0).lock().free, 1, "never none");
}

#[test]
fn neighbours_in_an_ipv6_network_are_one_and_a_mapped_address_is_its_ipv4_address() {
    let origin = |address: &str| from(address).origin;
    assert_eq!(origin("2001:db8:1:2::1"), origin("2001:db8:1:2:ffff::9"));
    assert_ne!(origin("2001:db8:1:2::1"), origin("2001:db8:1:3::1"));
    assert_eq!(origin("::ffff:192.0.2.7"), origin(PERSON));
    assert_ne!(origin(FLOOD), origin(PERSON));
}

// Goal: people sign in while strangers flood the service from the very address that they share, a proxy's perhaps.
#[test]
fn whoever_is_familiar_goes_first_although_strangers_from_the_same_address_fill_the_queue() {
    let queue = FairQueue::new(1);
    let first = place(enter(&queue, from(FLOOD)).1);
    let mut flood: Vec<_> = (0..HASH_QUEUE.count())
        .map(|_| enter(&queue, from(FLOOD)).0)
        .collect();
    assert_eq!(queue.look(from(FLOOD)), Err(Full));
    assert_eq!(queue.look(familiar(FLOOD)), Ok(()));
    let (mut one, poll) = enter(&queue, familiar(FLOOD));
    assert!(waits(&poll));
    let (mut other, poll) = enter(&queue, familiar(FLOOD));
    assert!(waits(&poll));
    assert_eq!(queue.waiting(), HASH_QUEUE.count(), "it has not grown");
    drop(first);
    drop(place(look(&mut one)));
    drop(place(look(&mut other)));
    drop(place(look(&mut flood[0])));
}

#[test]
fn a_queue_full_of_familiar_people_sends_the_next_away_whoever_it_is() {
    let queue = FairQueue::new(1);
    let _first = place(enter(&queue, familiar(PERSON)).1);
    let mut waiting: Vec<_> = (0..HASH_QUEUE.count())
        .map(|_| enter(&queue, familiar(PERSON)).0)
        .collect();
    assert!(sent_away(&enter(&queue, from(FLOOD)).1));
    assert!(sent_away(&enter(&queue, familiar("192.0.2.8")).1));
    assert!(waiting.iter_mut().all(|one| waits(&look(one))));
}
