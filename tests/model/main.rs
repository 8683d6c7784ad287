//! Synchronisation and lock-outs under a model checker: every run of two devices and a server that loses its tail.
//!
//! Goal: what `crates/domain` promises about sets of entries survives the way they take. Method: stateright looks at
//! every reachable state of `protocol.rs`. Protocols with one fault each stay here, and the checker has to find it:
//! that proves that the model can fail. Where the rules of lock-outs come from: `agreement.rs`.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

mod agreement;
mod protocol;
mod rules;
#[path = "../../crates/domain/tests/support/mod.rs"]
mod support;

use protocol::{CONVERGES, KEPT, LetsGo, ONCE, Protocol, STATE_OF_THE_SET, SURVIVES};
use rules::Rules;
use stateright::{Checker, HasDiscoveries, Model};
use std::time::{Duration, Instant};

/// No check takes longer, on a slow and busy machine either: what was not looked at to the end has failed.
const LIMIT: Duration = Duration::from_secs(900);
/// The same for the one that is run by hand.
const LONG: Duration = Duration::from_secs(1800);

/// Checks a right protocol to the end.
fn holds(name: &str, protocol: Protocol, limit: Duration) {
    let begin = Instant::now();
    let threads = std::thread::available_parallelism().map_or(1, |number| number.get().min(4));
    let checker = protocol
        .checker()
        .threads(threads)
        // What is only reached does not end the search: every state is looked at.
        .finish_when(HasDiscoveries::AnyFailures)
        .timeout(limit)
        .spawn_dfs()
        .join();
    say(name, &checker, begin, "all properties hold");
    checker.assert_properties();
    assert!(begin.elapsed() < limit, "not every state was looked at");
}

/// Checks a protocol with a fault until it breaks this property, in as few steps as possible.
fn breaks(name: &str, protocol: Protocol, property: &'static str) {
    let begin = Instant::now();
    let checker = protocol
        .checker()
        .finish_when(HasDiscoveries::AllOf([property].into()))
        .timeout(LIMIT)
        .spawn_bfs()
        .join();
    let found = checker.assert_any_discovery(property).into_actions();
    let steps: Vec<_> = found.iter().map(|step| format!("{step:?}")).collect();
    let found = format!(
        "breaks \"{property}\" in {} steps: {}",
        steps.len(),
        steps.join(", ")
    );
    say(name, &checker, begin, &found);
}

fn say(name: &str, checker: &impl Checker<Protocol>, begin: Instant, found: &str) {
    let states = checker.unique_state_count();
    let seconds = begin.elapsed().as_secs_f64();
    eprintln!("{name}: {states} states, {seconds:.1} s, {found}");
}

/// Both devices write twice, nothing that was recorded is lost.
const CALM: Protocol = Protocol {
    writes: [2, 2],
    disasters: (false, false),
    ..Protocol::RIGHT
};

#[test]
fn in_any_order_and_however_often_no_lockout_is_lost_that_nobody_released_by_name() {
    holds("right, two entries each", CALM, LIMIT);
}

#[test]
fn a_failover_that_loses_its_tail_loses_nothing_that_was_acknowledged() {
    let protocol = Protocol {
        disasters: (true, false),
        ..Protocol::RIGHT
    };
    holds("right, failover", protocol, LIMIT);
}

#[test]
fn neither_does_a_failover_with_a_restore() {
    let protocol = Protocol {
        writes: [1, 1],
        ..Protocol::RIGHT
    };
    holds("right, failover and restore, one entry each", protocol, LIMIT);
}

#[test]
#[ignore = "some minutes and gigabytes: cargo test --release -p clampward-model -- --ignored"]
fn nor_with_three_entries() {
    holds("right, failover and restore", Protocol::RIGHT, LONG);
}

#[test]
fn found_that_a_return_which_clears_all_loses_a_lockout() {
    let protocol = Protocol {
        rules: Rules::ClearsAll,
        ..CALM
    };
    breaks("release clears all", protocol, SURVIVES);
}

#[test]
fn found_that_the_last_writer_wins_over_a_rejection() {
    let protocol = Protocol {
        rules: Rules::LastWriterWins,
        ..CALM
    };
    breaks("last writer wins", protocol, SURVIVES);
}

#[test]
fn found_that_a_return_which_came_before_its_lockout_has_to_be_remembered() {
    let protocol = Protocol {
        rules: Rules::NoMemory,
        ..CALM
    };
    breaks("no memory of releases", protocol, STATE_OF_THE_SET);
}

#[test]
fn found_that_an_id_which_is_not_looked_up_is_recorded_twice() {
    let protocol = Protocol {
        knows_ids: false,
        ..CALM
    };
    breaks("ids are not looked up", protocol, ONCE);
}

#[test]
fn found_that_a_cursor_without_tag_diverges_after_a_restore() {
    let protocol = Protocol {
        tagged_cursors: false,
        disasters: (false, true),
        ..Protocol::RIGHT
    };
    breaks("cursor without tag", protocol, CONVERGES);
}

#[test]
fn found_that_a_cursor_which_does_not_say_how_far_states_go_keeps_a_state_that_was_lost() {
    let protocol = Protocol {
        cursors_say_seen: false,
        disasters: (true, false),
        ..Protocol::RIGHT
    };
    breaks("cursor without what was seen", protocol, CONVERGES);
}

#[test]
fn found_that_a_device_which_drops_on_acknowledgement_loses_entries() {
    let protocol = Protocol {
        lets_go: LetsGo::Acknowledged,
        disasters: (true, false),
        ..Protocol::RIGHT
    };
    breaks("drops on acknowledgement", protocol, KEPT);
}

#[test]
fn found_that_a_device_which_only_its_cursor_tells_of_a_loss_loses_entries() {
    let protocol = Protocol {
        asks_for_receipts: false,
        disasters: (true, false),
        ..Protocol::RIGHT
    };
    breaks("asks for no receipts", protocol, KEPT);
}

#[test]
fn found_that_a_position_of_another_history_says_nothing() {
    let protocol = Protocol {
        lets_go: LetsGo::ItsPositionIsPassed,
        disasters: (true, false),
        ..Protocol::RIGHT
    };
    breaks("drops by position alone", protocol, KEPT);
}

#[test]
fn found_that_position_and_stable_position_have_to_come_from_one_answer() {
    let protocol = Protocol {
        lets_go: LetsGo::ItsPositionIsPassedAndItIsThere,
        writes: [2, 0],
        ..Protocol::RIGHT
    };
    breaks("drops by a remembered position", protocol, KEPT);
}

#[test]
fn found_that_a_restore_behind_the_stable_position_loses_entries() {
    let protocol = Protocol {
        stable_counts_backups: false,
        disasters: (false, true),
        ..Protocol::RIGHT
    };
    breaks("restore behind the stable position", protocol, KEPT);
}
