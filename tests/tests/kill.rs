//! What was acknowledged survives the end of the service at any moment.
//!
//! The real binary on real PostgreSQL, killed with SIGKILL again and again while several writers send entries. An entry
//! that was not acknowledged is sent again with the same id, as a field app would. Found at the end: every
//! acknowledged entry, once; nothing twice; an intact ledger.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    reason = "a test fails by panicking, and its processes run in real time"
)]

use clampward_domain::ids::ClampId;
use clampward_domain::words::InspectionKind;
use clampward_testkit::TestDatabase;
use clampward_tests::program::{self, Service};
use clampward_tests::yard::{EMAIL, PASSWORD, TestYard, inspection, random_id};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Sender, channel};
use uuid::Uuid;

/// How often the service is killed.
const KILLS: usize = 50;
/// Writers at once.
const WRITERS: usize = 4;
/// Entries acknowledged in one life of the service before it is killed: this many, and up to twice as many.
const LIFE: usize = 4;
/// Clamps that they write about.
const CLAMPS: u128 = 3;

/// An entry on its way.
#[derive(Clone)]
struct Sent {
    id: Uuid,
    path: String,
    body: Value,
}

fn next(clamps: &[ClampId], turn: usize) -> Sent {
    let clamp = clamps[turn % clamps.len()];
    let id = random_id();
    let now = jiff::Timestamp::now().round(jiff::Unit::Microsecond).unwrap();
    let mut body = match turn % 3 {
        0 => inspection(InspectionKind::Frequent),
        1 => json!({"from": now, "lifts": 3, "heaviest_load": {"value": "1200", "unit": "kg"}}),
        _ => json!({"reason": "precaution"}),
    };
    let kind = ["inspections", "uses", "tag-outs"][turn % 3];
    body["entry_id"] = json!(id);
    body["performed_at"] = json!(now);
    Sent {
        id,
        path: format!("/v1/clamps/{clamp}/{kind}"),
        body,
    }
}

/// Sends until the service is gone; answers what was acknowledged and what was under way.
fn write(
    url: &str,
    token: &str,
    clamps: &[ClampId],
    open: Option<Sent>,
    gone: &AtomicBool,
    told: &Sender<()>,
) -> (Vec<Uuid>, Option<Sent>) {
    let mut acknowledged = Vec::new();
    let mut turn = usize::try_from(random_id().as_u128() % 1000).unwrap();
    let mut open = open;
    loop {
        let sent = open.take().unwrap_or_else(|| next(clamps, turn));
        turn += 1;
        let answer = ureq::post(format!("{url}{}", sent.path))
            .header("Authorization", &format!("Bearer {token}"))
            .send_json(&sent.body);
        match answer {
            Ok(answer) if answer.status() == 200 || answer.status() == 201 => {
                acknowledged.push(sent.id);
                // Nobody listens any more once the service is being killed.
                let _ = told.send(());
            }
            Ok(answer) => panic!("{} answered {}", sent.path, answer.status()),
            Err(ureq::Error::StatusCode(503)) => open = Some(sent),
            Err(ureq::Error::StatusCode(status)) => panic!("{} answered {status}", sent.path),
            Err(_) => {
                assert!(
                    gone.load(Ordering::SeqCst),
                    "the service went away before it was killed"
                );
                return (acknowledged, Some(sent));
            }
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn every_acknowledged_entry_is_there_once_after_fifty_kills_in_the_middle_of_writing() {
    let database = TestDatabase::new().await;
    let yard = TestYard::found(&database.service_url).await;
    let mut clamps = Vec::new();
    for number in 0..CLAMPS {
        clamps.push(yard.clamp(number).await);
    }
    let binary = program::binary("clampward-api");
    let folder = tempfile::tempdir().unwrap();
    let key = folder.path().join("key.pem");
    let mut acknowledged: Vec<Uuid> = Vec::new();
    let mut open: Vec<Option<Sent>> = vec![None; WRITERS];
    for kill in 0..KILLS {
        let service = Service::start(&binary, &database.service_url, &key, program::free_port());
        let url = service.url.clone();
        let signed_in: Value = ureq::post(format!("{url}/v1/auth/token"))
            .send_json(json!({"email": EMAIL, "password": PASSWORD}))
            .unwrap()
            .body_mut()
            .read_json()
            .unwrap();
        let token = signed_in["access_token"].as_str().unwrap().to_owned();
        let gone = AtomicBool::new(false);
        let (told, acknowledgements) = channel();
        let written: Vec<_> = std::thread::scope(|scope| {
            let writers: Vec<_> = open
                .drain(..)
                .map(|open| {
                    let told = told.clone();
                    let (url, token, clamps, gone) = (&url, &token, &clamps, &gone);
                    scope.spawn(move || write(url, token, clamps, open, gone, &told))
                })
                .collect();
            for _ in 0..LIFE + kill % (LIFE + 1) {
                acknowledgements.recv().unwrap();
            }
            // The other writers are somewhere between sending and hearing.
            gone.store(true, Ordering::SeqCst);
            service.kill();
            writers.into_iter().map(|writer| writer.join().unwrap()).collect()
        });
        for (ids, left) in written {
            acknowledged.extend(ids);
            open.push(left);
        }
    }
    assert!(acknowledged.len() >= KILLS * LIFE);
    let unique: BTreeSet<_> = acknowledged.iter().copied().collect();
    assert_eq!(
        unique.len(),
        acknowledged.len(),
        "an id was acknowledged twice as new"
    );
    let mut owner = sqlx::PgPool::connect(&database.owner_url)
        .await
        .unwrap()
        .acquire()
        .await
        .unwrap()
        .detach();
    let there: Vec<(Uuid, i64)> =
        sqlx::query_as("select id, count(*) from ledger where id = any($1) group by id")
            .bind(&acknowledged)
            .fetch_all(&mut owner)
            .await
            .unwrap();
    assert_eq!(there.len(), acknowledged.len(), "an acknowledged entry is lost");
    assert!(there.iter().all(|(_, times)| *times == 1));
    assert_eq!(yard.store.verify().await.unwrap().violations, vec![]);
    eprintln!("{} entries acknowledged over {KILLS} kills", acknowledged.len());
}
