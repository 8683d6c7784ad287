//! How long "may I lift with it" takes on a mirror of 20,000 clamps: `cargo run --release -p clampward-field --example may_lift`.
//!
//! Prints medians and 99th percentiles: of the question on an open database, and of opening the database and asking, as a
//! program does that is started for it.
#![allow(
    dead_code,
    unused_imports,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::as_conversions,
    clippy::disallowed_methods,
    reason = "a measurement fails by panicking, and reads the clock"
)]

#[path = "../../domain/tests/support/mod.rs"]
mod domain;
#[path = "../tests/field/support/mod.rs"]
mod support;

use clampward_field::clock::Clock;
use clampward_field::database::Database;
use clampward_field::device::Named;
use clampward_field::offline;
use std::time::Instant;
use support::Device;
use support::service::Service;

const CLAMPS: usize = 20_000;
const QUESTIONS: usize = 5_000;

fn main() {
    let mut service = Service::new(domain::World::new());
    service.grant("houston");
    for n in 0..CLAMPS {
        service.clamp_in_service("houston", &format!("HOU-{n}"));
    }
    service.snapshot_part = 500;
    let mut device = Device::enrolled();
    let begun = Instant::now();
    device.sync(&mut service);
    println!(
        "snapshot of {CLAMPS} clamps into the mirror: {:.2} s",
        begun.elapsed().as_secs_f64()
    );
    let clamps: Vec<_> = service.granted_clamps().into_keys().collect();
    device.tag_out_many((0..5_000).map(|n| Named::Clamp(clamps[n * 4])));
    println!("5,000 unsent entries are in the journal");
    let now = device.clock.moment();
    let mut yes = 0;
    let mut ask = |database: &Database, n: usize| {
        let mark = format!("hou-{}", n * 7 % CLAMPS);
        yes += usize::from(offline::judge(database.connection(), &mark, &now).unwrap().fit);
    };
    let open: Vec<f64> = (0..QUESTIONS)
        .map(|n| {
            let begun = Instant::now();
            ask(&device.database, n);
            begun.elapsed().as_secs_f64() * 1e3
        })
        .collect();
    let cold: Vec<f64> = (0..200)
        .map(|n| {
            let begun = Instant::now();
            let database = Database::open(&device.path()).unwrap();
            ask(&database, n);
            begun.elapsed().as_secs_f64() * 1e3
        })
        .collect();
    for (what, mut times) in [("may-lift", open), ("opening the database and may-lift", cold)] {
        times.sort_by(f64::total_cmp);
        let at = |share: f64| times[((times.len() - 1) as f64 * share) as usize];
        println!(
            "{what}: median {:.3} ms, 99 % within {:.3} ms, longest {:.3} ms",
            at(0.5),
            at(0.99),
            at(1.0)
        );
    }
    println!("{yes} of {} answers were yes", QUESTIONS + 200);
}
