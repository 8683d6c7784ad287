//! Short runs of the simulation, and what longer ones found.
//!
//! Goal: whatever happens to tablets, lines and machines, everything that was written is recorded once, every state is the
//! fold of what is recorded, and every tablet comes to show it. Method: `clampward_tests::simulation`, a few seeds here,
//! `cargo xtask simulate` for long ones.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use clampward_tests::program;
use clampward_tests::simulation::{order, run};

/// Plays a seed and fails with the command that plays it again.
fn play(seed: u64, operations: usize) {
    let options = run::Options {
        seed,
        operations,
        service: program::binary("clampward-api"),
        tablets: 4,
        clamps: 40,
        calm: 400,
        syncs: 200,
    };
    match run::run(&options) {
        Ok(report) => eprintln!("{report}"),
        Err(failure) => panic!("{failure}"),
    }
}

#[test]
fn two_thousand_operations_in_bad_weather_lose_nothing_and_everybody_comes_to_know() {
    play(1, 2_000);
}

#[tokio::test(flavor = "multi_thread")]
async fn pushed_in_any_order_every_clamp_is_as_if_pushed_in_order() {
    let options = order::Options {
        seed: 1,
        histories: 200,
        service: program::binary("clampward-api"),
    };
    let report = order::run(&options).await.unwrap_or_else(|difference| {
        panic!("{difference}\nplay it again: cargo xtask simulate --order 200 --seed 1")
    });
    eprintln!("{report:?}");
    assert!(report.closed > 5, "hardly anything was released: {report:?}");
}
