//! Measures whether work per request grows with a clamp's history: recording an inspection and asking fitness, at 20 and
//! at 2,000 entries. Prints medians and their ratio; alternates between the two clamps, so that both see the same machine.
//!
//! `cargo run --release --example work_per_request -p clampward-tests`
#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    reason = "a measurement, not part of the service"
)]

use clampward_domain::ids::ClampId;
use clampward_domain::reference::YardScope;
use clampward_domain::words::InspectionKind;
use clampward_testkit::TestDatabase;
use clampward_tests::yard::{TestYard, inspection};
use serde_json::json;
use std::time::{Duration, Instant};

const ROUNDS: usize = 300;

async fn fill(yard: &TestYard, clamp: ClampId, entries: usize) {
    for turn in 2..entries {
        if turn % 4 == 0 {
            let now = jiff::Timestamp::now();
            yard.record(
                clamp,
                "used",
                json!({"from": now, "lifts": 2, "heaviest_load": {"value": "900", "unit": "kg"}}),
            )
            .await;
        } else {
            yard.record(clamp, "inspected", inspection(InspectionKind::Frequent))
                .await;
        }
    }
}

fn median(mut times: Vec<Duration>) -> Duration {
    times.sort_unstable();
    times[times.len() / 2]
}

#[tokio::main]
async fn main() {
    let database = TestDatabase::new().await;
    let yard = TestYard::found(&database.service_url).await;
    let (short, long) = (yard.clamp(1).await, yard.clamp(2).await);
    fill(&yard, short, 20).await;
    fill(&yard, long, 2_000).await;
    let mut asked = (Vec::new(), Vec::new());
    let mut recorded = (Vec::new(), Vec::new());
    for round in 0..ROUNDS {
        for (clamp, times) in [(short, &mut asked.0), (long, &mut asked.1)] {
            let begun = Instant::now();
            let now = yard
                .store
                .clamp_now(clamp, &YardScope::All)
                .await
                .unwrap()
                .unwrap();
            assert!(now.standing(yard.store.now()).fit);
            times.push(begun.elapsed());
        }
        // The short clamp must stay short: a fresh one takes its place before it has grown by half.
        let short = if round % 10 == 0 {
            yard.clamp(100 + u128::try_from(round).unwrap()).await
        } else {
            short
        };
        if round % 10 == 0 {
            fill(&yard, short, 20).await;
        }
        for (clamp, times) in [(short, &mut recorded.0), (long, &mut recorded.1)] {
            let begun = Instant::now();
            yard.record(clamp, "inspected", inspection(InspectionKind::Frequent))
                .await;
            times.push(begun.elapsed());
        }
    }
    for (what, (short, long)) in [("asking fitness", asked), ("recording an inspection", recorded)] {
        let (short, long) = (median(short), median(long));
        println!(
            "{what:<24} 20 entries {:>8.3} ms   2,000 entries {:>8.3} ms   ratio {:.2}",
            short.as_secs_f64() * 1e3,
            long.as_secs_f64() * 1e3,
            long.as_secs_f64() / short.as_secs_f64()
        );
    }
}
