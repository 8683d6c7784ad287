//! What is measured over a whole fleet: counts over a million clamps, and a hundred thousand of them as a stream.

use super::http::Connection;
use super::pgbench::{self, Script};
use super::rows::FLEET;
use super::service::Service;
use super::table::{Line, Target};
use super::{Bench, Running};
use crate::failure::{Done, Failure, While};
use crate::workspace;
use std::fs::File;
use std::process::Stdio;
use std::time::Instant;

/// The fleet that is counted.
const COUNTED: u64 = 1_000_000;
/// How often one thing is asked for one figure.
const TIMES: u32 = 20;
/// How much more memory a stream may take than there was before it.
const STREAM_MIB: f64 = 32.0;

/// Out-of-service counts over a million clamps, by yard, one client.
pub fn reports(bench: &mut Bench) -> Done<Vec<Line>> {
    let fleet = bench.databases().counted(COUNTED)?;
    let service = bench.serve("counted", &fleet.service_url)?;
    let token = bench.wait(service.sign_in("safety"))?;
    let request = format!(
        "GET /v1/reports/out-of-service?group_by=yard HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nAuthorization: Bearer {token}\r\n\r\n",
        service.port
    );
    let script = workspace::root()?.join("crates/xtask/src/bench/out_of_service.sql");
    let yards: Vec<&str> = fleet.yards.iter().map(|yard| yard.id.as_str()).collect();
    let text = std::fs::read_to_string(&script).during("reading out_of_service.sql")?;
    let written = bench.directory().join("out_of_service.sql");
    std::fs::write(
        &written,
        text.replace("{yards}", &format!("{{{}}}", yards.join(","))),
    )
    .during("writing out_of_service.sql")?;
    let files = [written.display().to_string()];
    let (ours, floor) = bench.alternate(
        |bench| {
            bench.wait(async {
                let mut connection = Connection::open(service.port).await?;
                let mut milliseconds = 0.0;
                // The first one is not counted: it connects and prepares.
                for turn in 0..=TIMES {
                    let begin = Instant::now();
                    let (status, body) = connection.ask(request.as_bytes()).await?;
                    if status != 200 {
                        return Err(Failure::new(format!(
                            "the report: {status} {}",
                            String::from_utf8_lossy(body)
                        )));
                    }
                    if turn > 0 {
                        milliseconds += begin.elapsed().as_secs_f64() * 1000.0;
                    }
                }
                Ok(milliseconds / f64::from(TIMES))
            })
        },
        |bench| {
            let script = Script {
                url: &fleet.service_url,
                role: "clampward_door",
                files: &files,
            };
            Ok(1000.0 / pgbench::run(bench.databases(), &script, 1, bench.seconds())?)
        },
    )?;
    service.stop()?;
    Ok(vec![Line {
        what: "Out of service by yard, over 1,000,000 clamps".to_owned(),
        ours,
        floor,
        unit: "ms",
        target: Target::AtMost(1.5),
        note: "against the bare statement; at most 50 ms".to_owned(),
    }])
}

/// A hundred thousand clamps as NDJSON against `COPY TO STDOUT` of their rows.
pub fn stream(bench: &mut Bench) -> Done<Vec<Line>> {
    let running = bench.running(FLEET)?;
    let token = bench.wait(running.service.sign_in("safety"))?;
    let request = format!(
        "GET /v1/clamps HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nAuthorization: Bearer {token}\r\nAccept: application/x-ndjson\r\n\r\n",
        running.service.port
    );
    let before = memory(&running.service)?;
    let mut sizes = (0, 0);
    let (ours, floor) = bench.alternate(
        |bench| {
            let begin = Instant::now();
            let (lines, bytes) = bench.wait(async {
                Connection::open(running.service.port)
                    .await?
                    .drain(request.as_bytes())
                    .await
            })?;
            sizes = (lines, bytes);
            Ok(begin.elapsed().as_secs_f64())
        },
        |bench| copied(bench, &running),
    )?;
    let grown = memory(&running.service)? - before;
    if u64::try_from(sizes.0).unwrap_or(0) < FLEET {
        return Err(Failure::new(format!("only {} clamps were streamed", sizes.0)));
    }
    if grown > STREAM_MIB {
        return Err(Failure::new(format!(
            "the stream took {grown:.0} MiB of memory: it is not constant"
        )));
    }
    Ok(vec![Line {
        what: "100,000 clamps as NDJSON".to_owned(),
        ours,
        floor,
        unit: "s",
        target: Target::AtMost(3.0),
        note: format!(
            "against `COPY clamp TO STDOUT`; {} MiB sent, memory grew by {:.0} MiB",
            sizes.1 / 1024 / 1024,
            grown.max(0.0)
        ),
    }])
}

fn copied(bench: &Bench, running: &Running) -> Done<f64> {
    let nowhere = File::create("/dev/null").during("opening /dev/null")?;
    let begin = Instant::now();
    let mut command = bench.databases().program("psql");
    command
        .args([
            "--no-psqlrc",
            "--quiet",
            &running.fleet.owner_url,
            "-c",
            "copy clamp to stdout",
        ])
        .stdin(Stdio::null())
        .stdout(nowhere);
    let status = command.status().during("running psql")?;
    if !status.success() {
        return Err(Failure::new("COPY failed"));
    }
    Ok(begin.elapsed().as_secs_f64())
}

/// The most memory that the service ever had, in MiB.
fn memory(service: &Service) -> Done<f64> {
    let status = service.status()?;
    let kib: f64 = status
        .lines()
        .find_map(|line| line.strip_prefix("VmHWM:"))
        .and_then(|rest| rest.trim().trim_end_matches(" kB").parse().ok())
        .ok_or_else(|| Failure::new("the service's memory is not told"))?;
    Ok(kib / 1024.0)
}
