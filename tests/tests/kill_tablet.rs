//! What a person at a tablet was told is kept survives the end of the tablet's program at any moment of a synchronisation.
//!
//! The real field client against the real service on real PostgreSQL. Each round writes entries, begins a synchronisation and
//! kills it with SIGKILL somewhere on its way: before the service heard anything, after it recorded and before the tablet
//! wrote that down, in the middle of what it fetches. Found at the end: every entry in the ledger, once; nothing left to
//! send; an intact ledger.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    reason = "a test fails by panicking, and its processes run in real time"
)]

use clampward_domain::canonical::sha256;
use clampward_store::people::{AccountKey, NewEnrolment};
use clampward_testkit::TestDatabase;
use clampward_tests::program::{self, Service};
use clampward_tests::yard::{EMAIL, PASSWORD, PERSON, TestYard, YARD, id};
use jiff::{Timestamp, ToSpan};
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};
use uuid::Uuid;

/// How often a synchronisation is begun and killed.
const KILLS: u32 = 40;
/// Entries written before each.
const ENTRIES: usize = 2;
const CODE: &str = "T0N3T-AB1ET-0F0NE-KEPTH-ERE00";
const SHORT_CODE: &str = "480216";

struct Tablet {
    program: PathBuf,
    folder: PathBuf,
}

impl Tablet {
    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(&self.program);
        command
            .args(["--json", "--dir"])
            .arg(&self.folder)
            .args(arguments)
            .env("CLAMPWARD_FIELD_PASSWORD", PASSWORD)
            .env("CLAMPWARD_FIELD_CODE", SHORT_CODE)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        command
    }

    fn run(&self, arguments: &[&str]) -> Value {
        let Output {
            status,
            stdout,
            stderr,
        } = self.command(arguments).output().unwrap();
        assert!(
            status.success(),
            "{arguments:?}: {}{}",
            String::from_utf8_lossy(&stdout),
            String::from_utf8_lossy(&stderr)
        );
        serde_json::from_slice(&stdout).unwrap()
    }

    /// Writes an entry of one of several kinds, and answers what the person was told is kept.
    fn write(&self, turn: usize) -> Uuid {
        let mark = format!("HM-{}", turn % 3);
        let told = match turn % 3 {
            0 => self.run(&["tag-out", &mark, "--reason", "precaution"]),
            1 => self.run(&["inspect", &mark, "--otherwise", "accept"]),
            _ => self.run(&[
                "use",
                &mark,
                "--lifts",
                "3",
                "--from",
                &Timestamp::now().to_string(),
            ]),
        };
        assert_eq!(told["signed"], true, "{told}");
        told["kept"][0].as_str().unwrap().parse().unwrap()
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn every_entry_that_a_tablet_kept_is_in_the_ledger_once_after_forty_kills_in_the_middle_of_synchronising()
 {
    let database = TestDatabase::new().await;
    let yard = TestYard::found(&database.service_url).await;
    for number in 0..3 {
        yard.clamp(number).await;
    }
    let enrolment = NewEnrolment {
        id: id(0x77),
        digest: sha256(&[CODE.replace('-', "").as_bytes()]).to_vec(),
        // The first group names the code.
        attempts: AccountKey::of_enrolment(CODE.split('-').next().unwrap()),
        name: "tablet".to_owned(),
        yards: vec![YARD],
        expires_at: Timestamp::now() + 1.hour(),
    };
    yard.store.create_enrolment(PERSON, &enrolment).await.unwrap();
    let folder = tempfile::tempdir().unwrap();
    let service = Service::start(
        &program::binary("clampward-api"),
        &database.service_url,
        &folder.path().join("key.pem"),
        program::free_port(),
    );
    let tablet = Tablet {
        program: program::binary("clampward-field"),
        folder: folder.path().join("tablet"),
    };
    tablet.run(&["enrol", &service.url, CODE]);
    tablet.run(&["sign-in", EMAIL]);
    tablet.run(&["sync"]);

    // How long one takes that nobody breaks off.
    let mut told: Vec<Uuid> = (0..ENTRIES).map(|turn| tablet.write(turn)).collect();
    let begun = Instant::now();
    tablet.run(&["sync"]);
    let whole = begun.elapsed();

    let mut killed = 0;
    let mut found_recorded = 0;
    for kill in 0..KILLS {
        for _ in 0..ENTRIES {
            told.push(tablet.write(told.len()));
        }
        let unsent = tablet.run(&["queue"])["unsent"].as_u64().unwrap();
        let mut child = tablet.command(&["sync"]).spawn().unwrap();
        // From the start to a little beyond the end, in steps that jump about.
        let share = f64::from(kill * 17 % KILLS) / f64::from(KILLS) * 1.1;
        std::thread::sleep(Duration::from_secs_f64(whole.as_secs_f64() * share));
        let _ = child.kill();
        let status = child.wait().unwrap();
        killed += u32::from(!status.success());
        // What the tablet still calls unsent may be recorded already: those are the ones that a repeat must not double.
        let left = tablet.run(&["queue"])["unsent"].as_u64().unwrap();
        if left == unsent && is_there(&database.owner_url, told.last().copied().unwrap()).await {
            found_recorded += 1;
        }
    }
    assert!(killed >= KILLS / 4, "only {killed} were ended in the middle");
    let report = tablet.run(&["sync"]);
    assert_eq!(
        (&report["left"], &report["held"], &report["refused"]),
        (&0.into(), &0.into(), &0.into())
    );
    let items = tablet.run(&["queue", "--all"]);
    let items = items["items"].as_array().unwrap();
    let unsettled: Vec<&Value> = items.iter().filter(|item| item["state"] != "recorded").collect();
    assert!(
        unsettled.is_empty(),
        "what was told is kept, and settled: {unsettled:#?}"
    );
    let kept: BTreeSet<Uuid> = items
        .iter()
        .map(|item| item["entry_id"].as_str().unwrap().parse().unwrap())
        .collect();
    assert_eq!(kept, told.iter().copied().collect());
    let mut owner = connection(&database.owner_url).await;
    let there: Vec<(Uuid, i64)> =
        sqlx::query_as("select id, count(*) from ledger where id = any($1) group by id")
            .bind(&told)
            .fetch_all(&mut owner)
            .await
            .unwrap();
    assert_eq!(there.len(), told.len(), "an entry is lost");
    assert!(
        there.iter().all(|(_, times)| *times == 1),
        "an entry is there twice"
    );
    assert_eq!(yard.store.verify().await.unwrap().violations, vec![]);
    eprintln!(
        "{} entries, {killed} synchronisations killed, {found_recorded} after the service had recorded and before the tablet knew",
        told.len()
    );
}

async fn connection(url: &str) -> sqlx::PgConnection {
    let pool = sqlx::PgPool::connect(url).await.unwrap();
    pool.acquire().await.unwrap().detach()
}

async fn is_there(url: &str, entry: Uuid) -> bool {
    let mut owner = connection(url).await;
    let (count,): (i64,) = sqlx::query_as("select count(*) from ledger where id = $1")
        .bind(entry)
        .fetch_one(&mut owner)
        .await
        .unwrap();
    count == 1
}
