//! No clamp is forgotten and nobody is left untold, wherever a worker is killed: while it holds clamps for a bulletin, raises
//! notices, puts a mail together, hands it over, or is about to note that it did.
//!
//! The real binary on real PostgreSQL and a mail server on loopback, two of it at once, killed with SIGKILL again and again
//! while clamps are tagged out. Found at the end: every clamp in scope is held once; each tag-out has one notice and is in a
//! mail; what came twice bears one Message-ID, and not more came twice than workers were killed.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    reason = "a test fails by panicking, and its processes run in real time"
)]

use clampward_domain::bulletin::Bulletin;
use clampward_domain::ids::BulletinId;
use clampward_testkit::TestDatabase;
use clampward_testkit::mail::MailCatcher;
use clampward_tests::program;
use clampward_tests::yard::{MODEL, PERSON, TestYard, random_id};
use serde_json::json;
use sqlx::{Connection, PgConnection};
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// How often both workers are killed.
const KILLS: usize = 16;
/// Clamps that the bulletin is about.
const CLAMPS: u128 = 600;
/// Clamps that are tagged out in each life.
const TAG_OUTS: usize = 3;
/// Until everything has to be told at the end.
const PATIENCE: Duration = Duration::from_secs(90);

struct Worker(Child);

impl Worker {
    fn start(binary: &PathBuf, database: &str, port: u16) -> Self {
        let child = Command::new(binary)
            .arg("run")
            .env("CLAMPWARD_DATABASE_URL", database)
            .env("CLAMPWARD_SMTP_HOST", "127.0.0.1")
            .env("CLAMPWARD_SMTP_PORT", port.to_string())
            .env("CLAMPWARD_SMTP_SECURITY", "none")
            .env("CLAMPWARD_MAIL_FROM", "Clampward <clampward@halvorsund.example>")
            // One mail at a time: what comes twice can be counted by who died.
            .env("CLAMPWARD_MAIL_SENDERS", "1")
            .stdin(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("the worker starts");
        Self(child)
    }
}

impl Drop for Worker {
    /// As a power cut would.
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

async fn number(owner: &mut PgConnection, sql: &'static str) -> i64 {
    sqlx::query_scalar(sql).fetch_one(owner).await.unwrap()
}

/// What is left to be done.
const LEFT: &str = "select (select count(*) from bulletin_hold where done_at is null)
    + (select count(*) from notice where mail_id is null and leaves_at <= now() and acknowledged_at is null
                                     and not (over_if_settled and settled_at is not null))
    + (select count(*) from mail where sent_at is null and dead_because is null)
    + (select sum(h.position - r.position)::bigint from ledger_head as h cross join ledger_reader as r)";

#[tokio::test(flavor = "multi_thread")]
async fn everybody_is_told_and_every_clamp_is_held_after_thirty_two_workers_were_killed() {
    let database = TestDatabase::new().await;
    let yard = TestYard::found(&database.service_url).await;
    let mut clamps = Vec::new();
    for number in 0..CLAMPS {
        clamps.push(yard.clamp(number).await);
    }
    let catcher = MailCatcher::start().await.unwrap();
    let binary = program::binary("clampward-worker");
    let bulletin: Bulletin = serde_json::from_value(json!({
        "code": "SB-1", "title": "Pins of one melt", "issued_by": "Halvorsund safety team", "issued_on": "2026-01-02",
        "class": "inspect_before_use", "text": "Look for bent pins.", "scope": {"models": [MODEL]}, "checks": ["pin_bent"]
    }))
    .unwrap();
    let mut owner = PgConnection::connect(&database.owner_url).await.unwrap();
    let mut in_the_middle = 0;
    let mut tagged = Vec::new();
    for life in 0..KILLS {
        let start = || Worker::start(&binary, &database.service_url, catcher.port);
        let workers = (start(), start());
        // Late enough for them to be at work, and at another moment of it each time.
        let begun = Instant::now();
        for _ in 0..TAG_OUTS {
            let clamp = clamps[tagged.len() % clamps.len()];
            let recorded = yard
                .record(clamp, "tagged_out", json!({"reason": "precaution"}))
                .await;
            tagged.push((recorded.id, tagged.len() % clamps.len()));
            tokio::time::sleep(Duration::from_millis(60)).await;
        }
        if life == 2 {
            yard.store
                .open_bulletin(random_id(), PERSON, BulletinId::new(random_id()), &bulletin)
                .await
                .unwrap();
        }
        let lives = Duration::from_millis(400 + 53 * u64::try_from(life % 9).unwrap());
        tokio::time::sleep(lives.saturating_sub(begun.elapsed())).await;
        drop(workers);
        in_the_middle += usize::from(number(&mut owner, LEFT).await > 0);
    }
    assert!(in_the_middle > 0, "nobody was killed in the middle of anything");
    // As if the time had passed for which a mail is nobody else's.
    sqlx::query("update mail set lease_until = now() - interval '1 second' where sent_at is null and lease_until is not null")
        .execute(&mut owner)
        .await
        .unwrap();
    sqlx::query("update mail set next_try_at = now() where sent_at is null")
        .execute(&mut owner)
        .await
        .unwrap();
    let _last = Worker::start(&binary, &database.service_url, catcher.port);
    let begun = Instant::now();
    while number(&mut owner, LEFT).await > 0 {
        assert!(
            begun.elapsed() < PATIENCE,
            "{} are left",
            number(&mut owner, LEFT).await
        );
        tokio::time::sleep(Duration::from_millis(200)).await;
    }

    let held: Vec<i64> = sqlx::query_scalar(
        "select count(*) from ledger where kind = 'tagged_out' and convert_from(bytes, 'UTF8')::jsonb -> 'body' ->> 'bulletin' is not null
          group by stream",
    )
    .fetch_all(&mut owner)
    .await
    .unwrap();
    assert_eq!(held, vec![1; clamps.len()]);

    let mails = catcher.mails();
    let mut by_id: BTreeMap<String, usize> = BTreeMap::new();
    for mail in &mails {
        *by_id
            .entry(mail.header("Message-ID").expect("an id"))
            .or_default() += 1;
    }
    let sent = number(&mut owner, "select count(*) from mail where sent_at is not null").await;
    assert_eq!(i64::try_from(by_id.len()).unwrap(), sent);
    let repeated = mails.len() - by_id.len();
    assert!(repeated <= 2 * KILLS, "{repeated} mails came again");
    let texts: Vec<String> = mails.iter().map(|mail| mail.text()).collect();
    for (entry, place) in tagged {
        let notices: i64 = sqlx::query_scalar(
            "select count(*) from notice as n join mail as m on m.id = n.mail_id
              where n.kind = 'tagged_out' and n.about ->> 'entry_id' = $1 and m.sent_at is not null",
        )
        .bind(entry.to_string())
        .fetch_one(&mut owner)
        .await
        .unwrap();
        assert_eq!(notices, 1, "{entry}");
        let mark = format!("HM-{place}");
        let is_told = texts.iter().any(|text| {
            text.split(|sign: char| !sign.is_alphanumeric() && sign != '-')
                .any(|word| word == mark)
        });
        assert!(is_told, "{mark}");
    }
    let told = texts
        .iter()
        .filter(|text| text.contains("SB-1: Pins of one melt"))
        .count();
    assert!(told > 0, "nobody was told of the bulletin");
}
