//! Pulling: pages of changes against their statements, and a snapshot of a hundred thousand clamps against COPY.

use super::asking::AgainAs;
use super::http::{Asking, Connection, load};
use super::pgbench::{self, Script};
use super::rows::{FLEET, happening};
use super::table::{Line, Target, median};
use super::wide::{STREAM_MIB, copied, memory};
use super::{Bench, Running};
use crate::failure::{Done, Failure, While};
use crate::workspace;
use std::sync::Arc;
use std::time::Instant;

/// Rows of a page.
const ROWS: usize = 200;
/// Who pulls.
const CLIENTS: usize = 4;

/// A yard with something to pull: where one begins, and as who.
struct Reader {
    yard: String,
    token: Arc<str>,
    cursor: String,
    position: u64,
}

/// Takes a snapshot's first line, and lets things happen after it.
fn reader(bench: &Bench, running: &Running) -> Done<Reader> {
    let token: Arc<str> = bench.wait(running.service.sign_in("erp"))?.into();
    let yard = running.fleet.yards.first().map(|yard| yard.id.clone());
    let yard = yard.ok_or_else(|| Failure::new("the fleet has no yards"))?;
    let port = running.service.port;
    // Behind all clamps: nothing but the first and the last line.
    let request = format!(
        "GET /v1/sync/snapshot?yard={yard}&after=ffffffff-ffff-ffff-ffff-ffffffffffff HTTP/1.1\r\nConnection: close\r\n\
         Host: 127.0.0.1:{port}\r\nAuthorization: Bearer {token}\r\n\r\n"
    );
    let said = bench.wait(async { Connection::open(port).await?.whole(request.as_bytes()).await })?;
    let line = said.lines().find(|line| line.starts_with("{\"cursor\""));
    let line = line.ok_or_else(|| Failure::new(format!("no snapshot: {said}")))?;
    let head: serde_json::Value = serde_json::from_str(line).during("reading the snapshot's head")?;
    let cursor = head
        .get("cursor")
        .and_then(serde_json::Value::as_str)
        .unwrap_or_default();
    let position = head.get("position").and_then(serde_json::Value::as_u64);
    happening(bench, running)?;
    Ok(Reader {
        yard,
        token,
        cursor: cursor.to_owned(),
        position: position.unwrap_or_default(),
    })
}

/// Pages of two hundred rows against the same statements in pgbench.
pub fn pages(bench: &mut Bench) -> Done<Vec<Line>> {
    let running = bench.running(FLEET)?;
    let reader = reader(bench, &running)?;
    let path: Arc<str> = format!("/v1/sync/changes?cursor={}&limit={ROWS}", reader.cursor).into();
    let files = [script(bench, &running, &reader)?];
    let port = running.service.port;
    let mut slowest = Vec::new();
    let (ours, floor) = bench.alternate(
        |bench| {
            let clients = (0..CLIENTS).map(|_| -> Box<dyn Asking> {
                Box::new(AgainAs {
                    port,
                    token: Arc::clone(&reader.token),
                    path: Arc::clone(&path),
                })
            });
            let seen = bench.wait(load(port, 200, clients.collect(), bench.seconds()))?;
            slowest.push(seen.slowest_hundredth_ms);
            Ok(seen.per_second)
        },
        |bench| {
            let script = Script {
                url: &running.fleet.service_url,
                role: "clampward_reader",
                files: &files,
            };
            pgbench::run(bench.databases(), &script, CLIENTS, bench.seconds())
        },
    )?;
    Ok(vec![Line {
        what: format!("Pages of {ROWS} changes with their clamps, {CLIENTS} clients"),
        ours,
        floor,
        unit: "/s",
        target: Target::AtLeast(0.5),
        note: format!(
            "the same statements in `pgbench -M prepared`; 99 % within {:.0} ms",
            median(&slowest)
        ),
    }])
}

/// The statements of that page as a script.
fn script(bench: &Bench, running: &Running, reader: &Reader) -> Done<String> {
    let path = workspace::root()?.join("crates/xtask/src/bench/pull.sql");
    let template = std::fs::read_to_string(&path).during(format!("reading {}", path.display()))?;
    let page = format!(
        "select position from delivered where yard_id = '{}' and position > {} order by position limit {ROWS}",
        reader.yard, reader.position
    );
    let ask = |statement: String| {
        bench
            .databases()
            .psql(&running.fleet.owner_url, &["-c", &statement])
    };
    let positions = ask(format!("select array_agg(position) from ({page}) as p"))?;
    let rows = positions.matches(',').count() + 1;
    if rows < ROWS {
        return Err(Failure::new(format!(
            "only {rows} rows to pull: measure for longer"
        )));
    }
    let clamps = ask(format!(
        "select array_agg(distinct stream) from ledger where position in ({page})"
    ))?;
    let last = positions
        .trim()
        .trim_end_matches('}')
        .rsplit(',')
        .next()
        .unwrap_or_default();
    let text = template
        .replace("{yard}", &reader.yard)
        .replace("{after}", &reader.position.to_string())
        .replace("{limit}", &(ROWS + 1).to_string())
        .replace("{positions}", positions.trim())
        .replace("{clamps}", clamps.trim())
        .replace("{last}", last);
    let written = bench.directory().join("pull.sql");
    std::fs::write(&written, text).during("writing pull.sql")?;
    Ok(written.display().to_string())
}

/// Snapshots of every yard, a hundred thousand clamps together, against `COPY TO STDOUT` of what they say.
pub fn snapshot(bench: &mut Bench) -> Done<Vec<Line>> {
    let running = bench.running(FLEET)?;
    let token = bench.wait(running.service.sign_in("erp"))?;
    let port = running.service.port;
    let requests: Vec<String> = running
        .fleet
        .yards
        .iter()
        .map(|yard| {
            format!(
                "GET /v1/sync/snapshot?yard={} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nAuthorization: Bearer {token}\r\n\r\n",
                yard.id
            )
        })
        .collect();
    let before = memory(&running.service)?;
    let mut sizes = (0, 0);
    let (ours, floor) = bench.alternate(
        |bench| {
            sizes = (0, 0);
            let begin = Instant::now();
            for request in &requests {
                let (lines, bytes) =
                    bench.wait(async { Connection::open(port).await?.drain(request.as_bytes()).await })?;
                sizes = (sizes.0 + lines, sizes.1 + bytes);
            }
            Ok(begin.elapsed().as_secs_f64())
        },
        |bench| {
            let rows = "copy (select c.id, h.position, c.reference_version, c.state
                                from clamp as c join stream_head as h on h.stream = c.id) to stdout";
            copied(bench, &running, rows)
        },
    )?;
    let grown = memory(&running.service)? - before;
    if u64::try_from(sizes.0).unwrap_or(0) < FLEET {
        return Err(Failure::new(format!("only {} lines were sent", sizes.0)));
    }
    if grown > STREAM_MIB {
        return Err(Failure::new(format!(
            "the snapshots took {grown:.0} MiB of memory: it is not constant"
        )));
    }
    Ok(vec![Line {
        what: "Snapshots of all yards, 100,000 clamps".to_owned(),
        ours,
        floor,
        unit: "s",
        target: Target::AtMost(3.0),
        note: format!(
            "against `COPY (…) TO STDOUT` of the same rows; {} MiB sent, memory grew by {:.0} MiB",
            sizes.1 / 1024 / 1024,
            grown.max(0.0)
        ),
    }])
}
