//! A thousand tag-outs at once: how long until each is handed over as a mail, to a mail server on this machine.

use super::asking::Random;
use super::database::clamp_id;
use super::http::Connection;
use super::rows::FLEET;
use super::table::{Line, Target};
use super::tablets::new_id;
use super::{Bench, Running};
use crate::failure::{Done, Failure, While};
use crate::workspace;
use clampward_testkit::mail::MailCatcher;
use clampward_testkit::supervised::{Ending, Supervised};
use std::fs::File;
use std::process::Command;
use std::time::{Duration, Instant};
use tokio::task::JoinSet;

/// Tag-outs, and how many people write them at once.
const TAG_OUTS: usize = 1_000;
const AT_ONCE: usize = 20;
/// Within how many seconds all but one in a hundred are to be handed over.
const WITHIN_SECONDS: f64 = 5.0;
/// How long is waited for the last of them.
const PATIENCE: Duration = Duration::from_secs(120);

/// Writes them and waits for their mails.
pub fn tag_outs(bench: &mut Bench) -> Done<Vec<Line>> {
    let running = bench.running(FLEET)?;
    let catcher = bench.wait(async { MailCatcher::start().await.during("starting a mail server") })?;
    let log = bench.directory().join("worker.log");
    let file = File::create(&log).during(format!("making {}", log.display()))?;
    let mut environment = Command::new("sh");
    environment
        .env("CLAMPWARD_DATABASE_URL", &running.fleet.service_url)
        .env("CLAMPWARD_SMTP_HOST", "127.0.0.1")
        .env("CLAMPWARD_SMTP_PORT", catcher.port.to_string())
        .env("CLAMPWARD_SMTP_SECURITY", "none")
        .env("CLAMPWARD_MAIL_FROM", "Clampward <clampward@halvorsund.example>");
    let program = workspace::program_of("release", "clampward-worker")?;
    let mut worker = Supervised::start(
        environment,
        &program,
        &["run".into()],
        &file,
        Ending::Signal("TERM"),
    )
    .during("starting the worker")?;
    // What the invented fleet gives reason to is told first.
    settle(bench, &running)?;
    let seconds = bench.wait(write(&running))?;
    let waiting = Instant::now();
    while count(bench, &running, "m.sent_at is not null")? < told(bench, &running)? {
        if waiting.elapsed() > PATIENCE {
            return Err(Failure::new(format!(
                "not all were handed over; see {}",
                log.display()
            )));
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    let slowest = |upto: &str| -> Done<f64> {
        let sql = format!(
            "select percentile_cont(0.99) within group (order by extract(epoch from {upto} - l.recorded_at))
               from notice as n join mail as m on m.id = n.mail_id join ledger as l on l.id = (n.about ->> 'entry_id')::uuid
              where n.kind = 'tagged_out' and n.about ->> 'what' = 'precaution'"
        );
        let said = bench.databases().psql(&running.fleet.owner_url, &["-c", &sql])?;
        said.trim().parse().during("reading how long it took")
    };
    let (raised, made, slowest) = (
        slowest("n.raised_at")?,
        slowest("m.made_at")?,
        slowest("m.sent_at")?,
    );
    let mails = "select count(distinct m.id) from notice as n join mail as m on m.id = n.mail_id
                  where n.kind = 'tagged_out' and n.about ->> 'what' = 'precaution'";
    let mails = bench.databases().psql(&running.fleet.owner_url, &["-c", mails])?;
    worker.end().during("stopping the worker")?;
    Ok(vec![Line {
        what: format!("{TAG_OUTS} tag-outs at once: handed over as mails, the slowest hundredth"),
        ours: vec![slowest],
        floor: vec![WITHIN_SECONDS],
        unit: " s",
        target: Target::AtMost(1.0),
        note: format!(
            "one worker, from recording to the mail server's yes, against a limit of 5 s; written within {seconds:.1} s; raised \
             after {raised:.1} s, put together after {made:.1} s, in {} mails",
            mails.trim()
        ),
    }])
}

/// Waits until nothing is left to be told.
fn settle(bench: &Bench, running: &Running) -> Done {
    let begun = Instant::now();
    let left = "select (select count(*) from notice where mail_id is null and leaves_at <= now() and acknowledged_at is null
                          and not (over_if_settled and settled_at is not null))
                     + (select count(*) from mail where sent_at is null and dead_because is null)
                     + (select h.position - r.position from ledger_head as h, ledger_reader as r where r.name = 'notices')
                     + (select count(distinct v.body ->> 'time_zone') from yard_version as v)
                     - (select count(*) from notice_day)";
    loop {
        let said = bench.databases().psql(&running.fleet.owner_url, &["-c", left])?;
        if said.trim() == "0" {
            return Ok(());
        }
        if begun.elapsed() > PATIENCE * 5 {
            return Err(Failure::new(format!("{} are left to be told", said.trim())));
        }
        std::thread::sleep(Duration::from_millis(500));
    }
}

fn count(bench: &Bench, running: &Running, which: &str) -> Done<u64> {
    let sql = format!(
        "select count(*) from notice as n left join mail as m on m.id = n.mail_id
          where n.kind = 'tagged_out' and n.about ->> 'what' = 'precaution' and n.level = 0 and {which}"
    );
    let said = bench.databases().psql(&running.fleet.owner_url, &["-c", &sql])?;
    said.trim().parse().during("counting notices")
}

/// Notices that there are to be: each tag-out is told to somebody.
fn told(bench: &Bench, running: &Running) -> Done<u64> {
    let raised = count(bench, running, "true")?;
    Ok(raised.max(u64::try_from(TAG_OUTS).unwrap_or(u64::MAX)))
}

/// Writes the tag-outs, of clamps at random, and answers the seconds that it took.
async fn write(running: &Running) -> Done<f64> {
    let port = running.service.port;
    let token = running.service.sign_in("safety").await?;
    let begun = Instant::now();
    let mut writers = JoinSet::new();
    for writer in 0..AT_ONCE {
        let token = token.clone();
        let yards = running.fleet.yards.clone();
        writers.spawn(async move {
            let mut random = Random::of(writer);
            let mut connection = Connection::open(port).await?;
            for number in 0..TAG_OUTS / AT_ONCE {
                let yard = yards
                    .get((writer + number) % yards.len().max(1))
                    .ok_or_else(|| Failure::new("the fleet has no yards"))?;
                let body = serde_json::json!({
                    "entry_id": new_id(), "performed_at": super::tablets::now(), "reason": "precaution",
                })
                .to_string();
                let request = format!(
                    "POST /v1/clamps/{}/tag-outs HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nAuthorization: Bearer {token}\r\n\
                     Content-Type: application/json\r\nContent-Length: {}\r\n\r\n{body}",
                    clamp_id(random.clamp(yard)),
                    body.len()
                );
                let (status, answer) = connection.ask(request.as_bytes()).await?;
                if status != 201 {
                    return Err(Failure::new(String::from_utf8_lossy(answer).into_owned()));
                }
            }
            Ok(())
        });
    }
    while let Some(done) = writers.join_next().await {
        done.during("a writer ended")??;
    }
    Ok(begun.elapsed().as_secs_f64())
}
