//! A program that keeps counts from events comes to the numbers of the report, whatever is killed meanwhile: the service, the
//! workers, the program itself, in the middle of whatever they do.
//!
//! The program is the one of the guide for ERP connections, as it stands there: `python3` with its own library. Real binaries on
//! real PostgreSQL, over TLS. Found at the end: everything that was recorded was delivered, and the counts are the report's,
//! yard by yard and column by column; none comes from counting twice what came twice.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    reason = "a test fails by panicking, and its processes run in real time"
)]

use aws_lc_rs::digest::{SHA256, digest};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use clampward_domain::ids::{ClampId, PersonId};
use clampward_domain::reference::YardScope;
use clampward_domain::webhook::EventType;
use clampward_domain::words::{InspectionKind, Role};
use clampward_store::people::{AccountBody, AccountKind, NewSecret};
use clampward_store::webhooks::{EndpointBody, NewKeys};
use clampward_testkit::TestDatabase;
use clampward_testkit::webhook::Papers;
use clampward_tests::program::{self, Service, free_port, root};
use clampward_tests::yard::{MODEL, PERSON, TestYard, YARD, inspection, random_id};
use jiff::{SignedDuration, Timestamp};
use serde_json::{Value, json};
use sqlx::{Connection, PgConnection};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Rounds, after each of which something else is killed.
const ROUNDS: usize = 18;
/// Clamps.
const CLAMPS: u128 = 24;
/// What the program is away for while entries are recorded.
const AWAY: usize = 40;
/// Until everything has to be delivered at the end.
const PATIENCE: Duration = Duration::from_secs(120);
const CLIENT_SECRET: &str = "cws_only-for-this-test-0123456789abcdefghijkl";
const KEYS: [u8; 64] = [5; 64];

/// A process that is killed as a power cut would.
struct Killed(Child);

impl Drop for Killed {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// The program of the guide, in a folder of its own.
struct Program {
    folder: tempfile::TempDir,
    environment: Vec<(&'static str, String)>,
}

impl Program {
    fn new(papers: &Papers, service: &str, client: &PersonId, port: u16) -> Self {
        let guide = std::fs::read_to_string(root().join("services/api/docs/erp.md")).unwrap();
        let (_, block) = guide.split_once("```python\n").expect("a program in the guide");
        let (program, _) = block.split_once("```").expect("its end");
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        std::fs::write(at("receiver.py"), program).unwrap();
        std::fs::write(at("certificate.pem"), &papers.certificate).unwrap();
        std::fs::write(at("key.pem"), &papers.key).unwrap();
        let text = |path: PathBuf| path.display().to_string();
        let environment = vec![
            ("SERVICE", service.to_owned()),
            ("CLIENT", format!("{client}:{CLIENT_SECRET}")),
            (
                "WEBHOOK_SECRETS",
                format!("whsec_{}", STANDARD.encode(&KEYS[..32])),
            ),
            ("COUNTS", text(at("counts.db"))),
            ("PORT", port.to_string()),
            ("CERTIFICATE", text(at("certificate.pem"))),
            ("KEY", text(at("key.pem"))),
        ];
        Self { folder, environment }
    }
    fn command(&self, what: &str) -> Command {
        let mut command = Command::new("python3");
        command
            .arg(self.folder.path().join("receiver.py"))
            .arg(what)
            .envs(self.environment.iter().cloned())
            .stdin(Stdio::null());
        command
    }
    /// Has it read the whole fleet.
    fn fill(&self) {
        assert!(self.command("fill").status().expect("python3 runs").success());
    }
    fn start(&self) -> Killed {
        Killed(self.command("serve").spawn().expect("python3 runs"))
    }
    /// Clamps by yard and column.
    fn counts(&self) -> BTreeMap<(String, String), u64> {
        let output = self.command("counts").output().expect("python3 runs");
        assert!(output.status.success(), "{output:?}");
        let counts: Vec<Value> = serde_json::from_slice(&output.stdout).unwrap();
        let one = |count: &Value| {
            let text = |name: &str| count[name].as_str().unwrap().to_owned();
            ((text("yard"), text("out")), count["clamps"].as_u64().unwrap())
        };
        counts.iter().map(one).collect()
    }
}

fn worker(binary: &PathBuf, database: &str, port: u16, authority: &Path) -> Killed {
    let child = Command::new(binary)
        .arg("run")
        .env("CLAMPWARD_DATABASE_URL", database)
        .env("CLAMPWARD_WEBHOOK_TARGETS", format!("inside:localhost:{port}"))
        .env("CLAMPWARD_WEBHOOK_AUTHORITY", authority)
        .stdin(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the worker starts");
    Killed(child)
}

/// A service account that sees every yard.
async fn account(yard: &TestYard) -> PersonId {
    let id = PersonId::new(random_id());
    let body = AccountBody {
        kind: AccountKind::Service,
        email: format!("{id}@service-accounts.invalid"),
        name: "Plant ERP".to_owned(),
        roles: vec![Role::Integration],
        yards: YardScope::All,
        enabled: true,
    };
    let secret = NewSecret {
        id: random_id(),
        digest: digest(&SHA256, CLIENT_SECRET.as_bytes()).as_ref().to_vec(),
        shown: CLIENT_SECRET[..8].to_owned(),
        expires_at: Timestamp::now() + SignedDuration::from_hours(24),
    };
    yard.store
        .create_service_account(random_id(), PERSON, id, &body, &secret)
        .await
        .unwrap();
    id
}

/// One entry that makes a clamp another, the next time another one.
async fn one_more(yard: &TestYard, clamp: ClampId, turn: usize) {
    match turn % 4 {
        0 => {
            yard.record(clamp, "tagged_out", json!({"reason": "precaution"}))
                .await
        }
        1 => {
            yard.record(clamp, "inspected", inspection(InspectionKind::Frequent))
                .await
        }
        2 => {
            yard.record(clamp, "inspected", inspection(InspectionKind::Initial))
                .await
        }
        _ => {
            yard.record(clamp, "tagged_out", json!({"reason": "dropped"}))
                .await
        }
    };
}

async fn number(owner: &mut PgConnection, sql: &'static str) -> i64 {
    sqlx::query_scalar(sql).fetch_one(owner).await.unwrap()
}

/// The report's columns by yard.
fn report(url: &str, client: &PersonId) -> BTreeMap<(String, String), u64> {
    let basic = STANDARD.encode(format!("{client}:{CLIENT_SECRET}"));
    let token: Value = ureq::post(format!("{url}/v1/oauth/token"))
        .header("Authorization", format!("Basic {basic}"))
        .send_form([("grant_type", "client_credentials")])
        .unwrap()
        .body_mut()
        .read_json()
        .unwrap();
    let report: Value = ureq::get(format!("{url}/v1/reports/out-of-service?group_by=yard"))
        .header(
            "Authorization",
            format!("Bearer {}", token["access_token"].as_str().unwrap()),
        )
        .call()
        .unwrap()
        .body_mut()
        .read_json()
        .unwrap();
    let mut counts = BTreeMap::new();
    for item in report["items"].as_array().unwrap() {
        let yard = item["yard"]["id"].as_str().unwrap();
        for column in ["tagged_out", "overdue", "awaiting_initial_inspection", "not_fit"] {
            let clamps = item[column].as_u64().unwrap();
            if clamps > 0 {
                counts.insert((yard.to_owned(), column.to_owned()), clamps);
            }
        }
    }
    counts
}

#[tokio::test(flavor = "multi_thread")]
async fn counts_kept_from_events_are_those_of_the_report_whatever_is_killed() {
    let database = TestDatabase::new().await;
    let yard = TestYard::found(&database.service_url).await;
    let client = account(&yard).await;
    let (service_port, port) = (free_port(), free_port());
    let papers = Papers::new().unwrap();
    let folder = tempfile::tempdir().unwrap();
    let authority = folder.path().join("authority.pem");
    std::fs::write(&authority, &papers.authority).unwrap();
    let api = program::binary("clampward-api");
    let signing_key = folder.path().join("signing.key");
    let start = || Service::start(&api, &database.service_url, &signing_key, service_port);
    let mut service = Some(start());
    let url = service.as_ref().unwrap().url.clone();
    // Some were there before anybody was told of anything.
    let mut before = Vec::new();
    for number in 0..4 {
        before.push(yard.clamp(number).await);
        yard.record(
            before[before.len() - 1],
            "tagged_out",
            json!({"reason": "precaution"}),
        )
        .await;
    }
    let begun_at = number(
        &mut PgConnection::connect(&database.owner_url).await.unwrap(),
        "select position from ledger_head",
    )
    .await;
    let program = Program::new(&papers, &url, &client, port);
    let body = EndpointBody {
        url: format!("https://localhost:{port}/clampward"),
        description: "Counts".to_owned(),
        events: vec![EventType::ClampChanged],
        paused: None,
    };
    let keys = NewKeys {
        id: random_id(),
        bytes: KEYS,
    };
    let endpoint = random_id();
    yard.store
        .create_webhook_endpoint(PERSON, endpoint, &body, &keys)
        .await
        .unwrap();
    program.fill();
    assert_eq!(program.counts().values().sum::<u64>(), 4);
    let mut clamps = before;
    for number in 4..CLAMPS {
        clamps.push(yard.clamp(number).await);
    }
    // Registered only: they await their first inspection.
    for number in 0..6_u128 {
        let clamp = ClampId::new(random_id());
        let registered = json!({
            "asset_mark": format!("HM-X{number}"), "serial_number": format!("X{number}"), "model_id": MODEL, "yard_id": YARD,
            "service_class": "normal"
        });
        yard.record(clamp, "registered", registered).await;
    }

    let binary = program::binary("clampward-worker");
    let work = || worker(&binary, &database.service_url, port, &authority);
    let mut owner = PgConnection::connect(&database.owner_url).await.unwrap();
    let mut receiver = Some(program.start());
    let mut workers = vec![work(), work()];
    let mut in_the_middle = 0;
    for round in 0..ROUNDS {
        for step in 0..6 {
            let turn = round * 6 + step;
            one_more(&yard, clamps[turn * 7 % clamps.len()], turn).await;
            tokio::time::sleep(Duration::from_millis(30)).await;
        }
        tokio::time::sleep(Duration::from_millis(
            150 + 37 * u64::try_from(round % 7).unwrap(),
        ))
        .await;
        match round % 4 {
            0 => {
                workers.clear();
                workers.extend([work(), work()]);
            }
            1 => {
                drop(receiver.take());
                tokio::time::sleep(Duration::from_millis(200)).await;
                receiver = Some(program.start());
            }
            2 => {
                workers.remove(0);
                workers.push(work());
            }
            _ => {
                drop(service.take());
                tokio::time::sleep(Duration::from_millis(100)).await;
                service = Some(start());
            }
        }
        let waiting = number(
            &mut owner,
            "select count(*) from webhook_delivery where state = 'waiting'",
        )
        .await;
        in_the_middle += usize::from(waiting > 0);
    }
    assert!(in_the_middle > 0, "nothing was killed in the middle of anything");
    // Away for long, while much happens.
    drop(receiver.take());
    for turn in 0..AWAY {
        one_more(&yard, clamps[turn * 5 % clamps.len()], turn + 1).await;
    }
    tokio::time::sleep(Duration::from_secs(2)).await;
    let _receiver = program.start();
    let begun = Instant::now();
    loop {
        // As if the time had passed for which is waited.
        for sql in [
            "update webhook_delivery set lease_until = now() - interval '1 second' where lease_until < now() + interval '55 seconds'",
            "update webhook_delivery set next_try_at = now() where state = 'waiting'",
            "update webhook_endpoint set wait_until = null",
        ] {
            sqlx::query(sql).execute(&mut owner).await.unwrap();
        }
        let left = "select (select count(*) from webhook_delivery where state = 'waiting')
                         + (select h.position - e.position from ledger_head as h cross join webhook_endpoint as e)";
        let left = number(&mut owner, left).await;
        if left == 0 {
            break;
        }
        assert!(begun.elapsed() < PATIENCE, "{left} are left");
        tokio::time::sleep(Duration::from_millis(500)).await;
    }
    // Each entry about a clamp is an event, and each was delivered.
    let entries: i64 = sqlx::query_scalar(
        "select count(*) from ledger where position > $1 and kind in ('registered', 'inspected', 'tagged_out')",
    )
    .bind(begun_at)
    .fetch_one(&mut owner)
    .await
    .unwrap();
    let delivered = number(
        &mut owner,
        "select count(*) from webhook_delivery where state = 'delivered' and body like '%entry_id%' and position('clamp.changed' in body) > 0",
    )
    .await;
    assert_eq!(delivered, entries);
    let repeated = number(
        &mut owner,
        "select count(*) from webhook_delivery where attempts > 1",
    )
    .await;
    assert!(repeated > 0, "nothing was tried twice");
    let expected = report(&url, &client);
    assert!(expected.len() >= 2, "{expected:?}");
    assert_eq!(program.counts(), expected);
}
