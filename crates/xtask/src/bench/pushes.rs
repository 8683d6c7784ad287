//! Pushing: batches of five hundred signed inspections against the same rows by UNNEST in pgbench, and three hundred
//! tablets that come back within a minute.

use super::http::{Connection, load};
use super::pgbench::{self, Script};
use super::rows::FLEET;
use super::table::{Line, Target, median};
use super::tablets::{Pushing, Tablet, enrol};
use super::{Bench, Running};
use crate::failure::{Done, Failure, While};
use crate::workspace;
use std::time::{Duration, Instant};
use tokio::task::JoinSet;

/// Entries of a push.
const BATCH: usize = 500;
/// Entries of a transaction.
const CHUNK: usize = 100;
/// Who pushes at once.
const CLIENTS: usize = 4;
/// Batches that a tablet has ready for each second.
const READY_PER_SECOND: u64 = 4;

/// Tablets that come back within a minute, and what each has to send.
const TABLETS: usize = 300;
const WITHIN: Duration = Duration::from_secs(60);
const UNSENT: usize = 100;
/// Longest that an answer may take, but for one in a hundred.
const PATIENCE_MS: f64 = 5_000.0;

/// Batches of five hundred.
pub fn batches(bench: &mut Bench) -> Done<Vec<Line>> {
    let running = bench.running(FLEET)?;
    let files = floor(bench, &running)?;
    let mut slowest = Vec::new();
    let batches = usize::try_from(bench.seconds().as_secs().saturating_mul(READY_PER_SECOND)).unwrap_or(8);
    let (ours, floor) = bench.alternate(
        |bench| {
            let mut clients: Vec<Box<dyn super::http::Asking>> = Vec::new();
            for tablet in bench.wait(enrol(&running, CLIENTS))? {
                let token = bench.wait(first_push(&running, tablet))?;
                clients.push(Box::new(Pushing::new(token.0, token.1, BATCH, batches)?));
            }
            let seen = bench.wait(load(running.service.port, 200, clients, bench.seconds()))?;
            slowest.push(seen.slowest_hundredth_ms);
            Ok(seen.per_second * 500.0)
        },
        |bench| {
            let script = Script {
                url: &running.fleet.service_url,
                role: "clampward_door",
                files: &files,
            };
            Ok(pgbench::run(bench.databases(), &script, CLIENTS, bench.seconds())? * 100.0)
        },
    )?;
    Ok(vec![Line {
        what: format!("Entries in pushes of {BATCH}, signed, durable, {CLIENTS} tablets"),
        ours,
        floor,
        unit: "/s",
        target: Target::AtLeast(0.5),
        note: format!(
            "the same rows by UNNEST in transactions of {CHUNK}, in pgbench; 99 % of the pushes within {:.0} ms",
            median(&slowest)
        ),
    }])
}

/// Signs a tablet in and looks closely at what comes of its first push: everything recorded, and credited.
async fn first_push(running: &Running, mut tablet: Tablet) -> Done<(Tablet, String)> {
    let mut connection = Connection::open(running.service.port).await?;
    let (status, token) = tablet.sign_in(&mut connection).await?;
    if status != 200 {
        return Err(Failure::new(format!("a device signs in: {status}")));
    }
    let body = tablet.batch(5)?;
    let (status, answer) = connection.ask(&tablet.request(&token, &body)).await?;
    let text = String::from_utf8_lossy(answer).into_owned();
    let credited = text.matches(r#""credited":true"#).count();
    let recorded = text.matches(r#""outcome":"recorded""#).count();
    if (status, recorded, credited) != (200, 5, 5) {
        return Err(Failure::new(format!("a push comes to {status} {text}")));
    }
    Ok((tablet, token))
}

/// The rows of a chunk as a script.
fn floor(bench: &Bench, running: &Running) -> Done<Vec<String>> {
    let tablets = bench.wait(enrol(running, CLIENTS))?;
    let mut device = String::new();
    for tablet in tablets {
        device = tablet.device().to_string();
        bench.wait(first_push(running, tablet))?;
    }
    let last =
        "select encode(bytes, 'hex') || '|' || encode(outcome, 'hex') || '|' || performed_by from ledger
                 where position = (select max(position) from ledger)";
    let last = bench.databases().psql(&running.fleet.owner_url, &["-c", last])?;
    let parts: Vec<&str> = last.trim().split('|').collect();
    let [bytes, outcome, person] = parts.as_slice() else {
        return Err(Failure::new("nothing was recorded"));
    };
    let path = workspace::root()?.join("crates/xtask/src/bench/push.sql");
    let template = std::fs::read_to_string(&path).during(format!("reading {}", path.display()))?;
    let mut files = Vec::new();
    for yard in &running.fleet.yards {
        let text = template
            .replace("{first}", &yard.first.to_string())
            .replace("{last}", &(yard.last - 99).to_string())
            .replace("{rows}", &CHUNK.to_string())
            .replace("{person}", person)
            .replace("{device}", &device)
            .replace("{yards}", &format!("{{{}}}", yard.id))
            .replace("{bytes}", &format!("\\x{bytes}"))
            .replace("{outcome}", &format!("\\x{outcome}"));
        let written = bench.directory().join(format!("push-{}.sql", yard.id));
        std::fs::write(&written, text).during("writing push.sql")?;
        files.push(written.display().to_string());
    }
    Ok(files)
}

/// What one tablet saw: how long each answer took, in milliseconds, and how often it was told to come back.
#[derive(Default)]
struct Came {
    times: Vec<f64>,
    told_to_wait: usize,
}

/// Tablets that come back within a minute, each with a hundred entries.
pub fn reconnecting(bench: &mut Bench) -> Done<Vec<Line>> {
    let running = bench.running(FLEET)?;
    let mut tablets = Vec::new();
    for mut tablet in bench.wait(enrol(&running, TABLETS))? {
        let body = tablet.batch(UNSENT)?;
        tablets.push((tablet, body));
    }
    let all = bench.wait(async {
        let mut coming = JoinSet::new();
        let each = WITHIN / u32::try_from(TABLETS).unwrap_or(1);
        for (number, (tablet, body)) in tablets.into_iter().enumerate() {
            let port = running.service.port;
            let after = each * u32::try_from(number).unwrap_or(0);
            coming.spawn(async move {
                tokio::time::sleep(after).await;
                come_back(port, &tablet, &body).await
            });
        }
        let mut all = Came::default();
        while let Some(done) = coming.join_next().await {
            let came = done.during("a tablet ended")??;
            all.times.extend(came.times);
            all.told_to_wait += came.told_to_wait;
        }
        Ok::<_, Failure>(all)
    })?;
    let mut times = all.times;
    times.sort_by(f64::total_cmp);
    let slowest = times.get(times.len().saturating_sub(1) * 99 / 100).copied();
    let slowest = slowest.unwrap_or(f64::INFINITY);
    if slowest >= PATIENCE_MS {
        return Err(Failure::new(format!(
            "{TABLETS} tablets that come back wait for {slowest:.0} ms"
        )));
    }
    bench.note(format!(
        "{TABLETS} tablets that came back within {} s with {UNSENT} signed entries each were all served: 99 % of the answers \
         within {slowest:.0} ms, {} times told to come back later, no other answer of 500 and above.",
        WITHIN.as_secs(),
        all.told_to_wait
    ));
    Ok(Vec::new())
}

/// Signs in and sends what it has, as often as it is told to come back.
async fn come_back(port: u16, tablet: &Tablet, body: &[u8]) -> Done<Came> {
    let mut came = Came::default();
    let mut connection = Connection::open(port).await?;
    let mut token = String::new();
    let begin = Instant::now();
    while begin.elapsed() < WITHIN {
        let asked = Instant::now();
        let (status, said) = if token.is_empty() {
            let (status, new) = tablet.sign_in(&mut connection).await?;
            token = new;
            (status, String::new())
        } else {
            let (status, answer) = connection.ask(&tablet.request(&token, body)).await?;
            (status, String::from_utf8_lossy(answer).into_owned())
        };
        came.times.push(asked.elapsed().as_secs_f64() * 1000.0);
        match status {
            200 if said.is_empty() => {}
            200 if said.contains(r#""outcome":"retry""#) => came.told_to_wait += 1,
            200 => {
                let recorded = said.matches(r#""outcome":"recorded""#).count()
                    + said.matches("already_recorded").count();
                return if recorded == UNSENT {
                    Ok(came)
                } else {
                    Err(Failure::new(format!("a push comes to {said}")))
                };
            }
            429 | 503 => {
                came.told_to_wait += 1;
                tokio::time::sleep(Duration::from_secs(1)).await;
            }
            other => return Err(Failure::new(format!("a tablet is answered {other}: {said}"))),
        }
    }
    Err(Failure::new("a tablet was not served within a minute"))
}
