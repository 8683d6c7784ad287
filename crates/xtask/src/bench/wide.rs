//! What is measured over a whole fleet: a hundred thousand clamps as a stream.

use super::http::Connection;
use super::rows::FLEET;
use super::service::Service;
use super::table::{Line, Target};
use super::{Bench, Running};
use crate::failure::{Done, Failure, While};
use std::fs::File;
use std::process::Stdio;
use std::time::Instant;

/// How much more memory a stream may take than there was before it.
const STREAM_MIB: f64 = 32.0;

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
