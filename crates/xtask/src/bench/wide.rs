//! What is measured over a whole fleet: counts over a million clamps, and a hundred thousand of them as a stream.

use super::database::Fleet;
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
/// Most memory that streams, one after the other, may take at their height beside what the service had: less than what one
/// of them sends, so that none is gathered. The allocator keeps pages of each thread: over forty streams of 131 MiB the
/// service came to 125 MiB and stayed there, 166 at its height.
pub const STREAM_MIB: f64 = 96.0;

/// Of a thousand clamps so many are out in a fleet that is looked after: an assumption, there is no published figure.
const USUALLY_OUT: u64 = 50;

/// Out-of-service counts over a million clamps, one client: with as many out as is usual, and with as many as in the
/// invented fleet, which is far worse than a real one.
pub fn reports(bench: &mut Bench) -> Done<Vec<Line>> {
    let mut lines = Vec::new();
    for (per_thousand, why) in [
        (USUALLY_OUT, "of them out, the share assumed of a real fleet"),
        (1000, "of them out, the share in the invented fleet"),
    ] {
        let fleet = bench.databases().counted(COUNTED, per_thousand)?;
        let out = bench.databases().psql(
            &fleet.owner_url,
            &[
                "-c",
                "select count(distinct clamp_id) from out_period where starts_at <= now() and ends_at > now()",
            ],
        )?;
        let service = bench.serve(&format!("counted-{per_thousand}"), &fleet.service_url)?;
        let token = bench.wait(service.sign_in("safety"))?;
        for (by, keys, script) in [
            ("by yard", "yard", "out_of_service.sql"),
            (
                "by yard and reason",
                "yard,reason",
                "out_of_service_by_reason.sql",
            ),
        ] {
            let report = Report {
                fleet: &fleet,
                service: &service,
                token: &token,
                keys,
                script,
            };
            let (ours, floor) = report.measured(bench)?;
            lines.push(Line {
                what: format!("Out of service {by}, over 1,000,000 clamps, {} {why}", out.trim()),
                ours,
                floor,
                unit: "ms",
                target: Target::AtMost(1.5),
                note: "against the bare statement; at most 50 ms".to_owned(),
            });
        }
        service.stop()?;
    }
    Ok(lines)
}

/// One report that is asked for, and the statement that it is compared with.
struct Report<'a> {
    fleet: &'a Fleet,
    service: &'a Service,
    token: &'a str,
    keys: &'a str,
    script: &'a str,
}

impl Report<'_> {
    /// Milliseconds of the service and of the bare statement, in turns.
    fn measured(&self, bench: &Bench) -> Done<(Vec<f64>, Vec<f64>)> {
        let request = format!(
            "GET /v1/reports/out-of-service?group_by={} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nAuthorization: Bearer {}\r\n\r\n",
            self.keys, self.service.port, self.token
        );
        let script = workspace::root()?
            .join("crates/xtask/src/bench")
            .join(self.script);
        let yards: Vec<&str> = self.fleet.yards.iter().map(|yard| yard.id.as_str()).collect();
        let text = std::fs::read_to_string(&script).during(format!("reading {}", script.display()))?;
        let written = bench.directory().join(self.script);
        std::fs::write(
            &written,
            text.replace("{yards}", &format!("{{{}}}", yards.join(","))),
        )
        .during(format!("writing {}", written.display()))?;
        let files = [written.display().to_string()];
        bench.alternate(
            |bench| bench.wait(asked(self.service.port, request.as_bytes())),
            |bench| {
                let script = Script {
                    url: &self.fleet.service_url,
                    role: "clampward_door",
                    files: &files,
                };
                Ok(1000.0 / pgbench::run(bench.databases(), &script, 1, bench.seconds())?)
            },
        )
    }
}

/// Milliseconds of one report.
async fn asked(port: u16, request: &[u8]) -> Done<f64> {
    let mut connection = Connection::open(port).await?;
    let mut milliseconds = 0.0;
    // The first one is not counted: it connects and prepares.
    for turn in 0..=TIMES {
        let begin = Instant::now();
        let (status, body) = connection.ask(request).await?;
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
        |bench| copied(bench, &running, "copy clamp to stdout"),
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

/// The seconds that a COPY takes.
pub fn copied(bench: &Bench, running: &Running, statement: &str) -> Done<f64> {
    let nowhere = File::create("/dev/null").during("opening /dev/null")?;
    let begin = Instant::now();
    let mut command = bench.databases().program("psql");
    command
        .args([
            "--no-psqlrc",
            "--quiet",
            &running.fleet.owner_url,
            "-c",
            statement,
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
pub fn memory(service: &Service) -> Done<f64> {
    let status = service.status()?;
    let kib: f64 = status
        .lines()
        .find_map(|line| line.strip_prefix("VmHWM:"))
        .and_then(|rest| rest.trim().trim_end_matches(" kB").parse().ok())
        .ok_or_else(|| Failure::new("the service's memory is not told"))?;
    Ok(kib / 1024.0)
}
