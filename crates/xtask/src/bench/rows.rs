//! What is measured, row by row.

use super::asking::{Again, AskFitness, Inspect, Random, nothing_found};
use super::database::Yard;
use super::http::{Asking, load};
use super::pgbench::{self, Script};
use super::table::{Line, Target, median};
use super::{Bench, Running};
use super::{bulletins, notices, pulls, pushes, wide};
use crate::demo::CAST;
use crate::failure::{Done, Failure, While};
use crate::workspace;
use std::sync::Arc;

/// The fleet that most rows are measured on.
pub const FLEET: u64 = 100_000;
/// The fleet that it is compared with, to see whether work grows with the fleet.
pub const SMALL_FLEET: u64 = 1_000;

/// A row: its name for `--only`, and how it is measured.
pub type Row = (&'static str, fn(&mut Bench) -> Done<Vec<Line>>);

/// The rows in their order.
pub const ROWS: &[Row] = &[
    ("fitness", fitness),
    ("inspections", inspections),
    ("fleet", grown_fleet),
    ("reports", wide::reports),
    ("stream", wide::stream),
    ("pushes", pushes::batches),
    ("tablets", pushes::reconnecting),
    ("pulls", pulls::pages),
    ("snapshot", pulls::snapshot),
    ("notices", notices::tag_outs),
    // Last: afterwards nothing of its fleet is fit.
    ("bulletin", bulletins::hold),
];

/// Somebody who asks, with the clamps that they see.
struct Asker {
    key: &'static str,
    id: String,
    yards: String,
    clamps: Yard,
}

/// One person who sees every yard, and one of each yard.
fn askers(running: &Running, everywhere: Option<&'static str>, role: &str) -> Done<Vec<Asker>> {
    let yards = &running.fleet.yards;
    let (Some(first), Some(last)) = (yards.first(), yards.last()) else {
        return Err(Failure::new("the fleet has no yards"));
    };
    let mut askers = Vec::new();
    for member in CAST {
        let theirs = member.yard.and_then(|yard| {
            let id = yard.id().to_string();
            yards.iter().find(|yard| yard.id == id)
        });
        let in_yard = member
            .key
            .strip_prefix(role)
            .is_some_and(|rest| rest.starts_with('-'));
        let (yards, clamps) = match theirs {
            Some(yard) if in_yard && member.key != "inspector-lapsed" => {
                (format!("{{{}}}", yard.id), yard.clone())
            }
            None if Some(member.key) == everywhere => {
                let all = Yard {
                    id: String::new(),
                    first: first.first,
                    last: last.last,
                };
                ("all".to_owned(), all)
            }
            Some(_) | None => continue,
        };
        askers.push(Asker {
            key: member.key,
            id: member.id().to_string(),
            yards,
            clamps,
        });
    }
    Ok(askers)
}

/// Writes a script for each asker.
fn scripts(
    bench: &Bench,
    running: &Running,
    name: &str,
    askers: &[Asker],
    more: &[(&str, String)],
) -> Done<Vec<String>> {
    let path = workspace::root()?
        .join("crates/xtask/src/bench")
        .join(format!("{name}.sql"));
    let template = std::fs::read_to_string(&path).during(format!("reading {}", path.display()))?;
    askers
        .iter()
        .map(|asker| {
            let session = format!(
                "select id from session_family where person_id = '{}' order by started_at desc limit 1",
                asker.id
            );
            let session = bench
                .databases()
                .psql(&running.fleet.owner_url, &["-c", &session])?;
            let mut text = template
                .replace("{session}", session.trim())
                .replace("{first}", &asker.clamps.first.to_string())
                .replace("{last}", &asker.clamps.last.to_string())
                .replace("{person}", &asker.id)
                .replace("{yards}", &asker.yards);
            for (placeholder, value) in more {
                text = text.replace(placeholder, value);
            }
            let written = bench.directory().join(format!("{name}-{}.sql", asker.key));
            std::fs::write(&written, text).during(format!("writing {}", written.display()))?;
            Ok(written.display().to_string())
        })
        .collect()
}

fn boxed(asking: impl Asking) -> Box<dyn Asking> {
    Box::new(asking)
}

/// Fitness with a token, at 16 and at 64 clients.
fn fitness(bench: &mut Bench) -> Done<Vec<Line>> {
    let running = bench.running(FLEET)?;
    let askers = askers(&running, Some("safety"), "operator")?;
    let tokens = tokens(bench, &running, &askers)?;
    let files = scripts(bench, &running, "fitness", &askers, &[])?;
    let bare = scripts(bench, &running, "bare", &askers, &[])?;
    let mut lines = Vec::new();
    for clients in [16, 64] {
        let mut slowest = Vec::new();
        let mut least = Vec::new();
        let (ours, floor) = bench.alternate(
            |bench| {
                let asking = fitness_clients(&running, &askers, &tokens, clients);
                let seen = bench.wait(load(running.service.port, 200, asking, bench.seconds()))?;
                slowest.push(seen.slowest_hundredth_ms);
                Ok(seen.per_second)
            },
            |bench| {
                let url = &running.fleet.service_url;
                let script = Script {
                    url,
                    role: "clampward_door",
                    files: &bare,
                };
                least.push(pgbench::run(
                    bench.databases(),
                    &script,
                    clients,
                    bench.seconds(),
                )?);
                let script = Script {
                    url,
                    role: "clampward_reader",
                    files: &files,
                };
                pgbench::run(bench.databases(), &script, clients, bench.seconds())
            },
        )?;
        let against_least = Line {
            what: format!("The same against the clamp's row by its key, {clients} clients"),
            ours: ours.clone(),
            floor: least,
            unit: "/s",
            target: Target::None,
            note: "nobody asked who is calling, no row-level security".to_owned(),
        };
        lines.push(Line {
            what: format!("Fitness with a token, {clients} clients, 100,000 clamps"),
            ours,
            floor,
            unit: "/s",
            target: Target::AtLeast(0.35),
            note: format!(
                "the same statement in `pgbench -M prepared`; 99 % within {:.1} ms",
                median(&slowest)
            ),
        });
        lines.push(against_least);
    }
    let port = running.service.port;
    let clients = || {
        (0..64)
            .map(|_| {
                boxed(Again {
                    port,
                    path: "/healthz",
                })
            })
            .collect()
    };
    let bare = bench.wait(load(port, 200, clients(), bench.seconds()))?;
    bench.note(format!(
        "The bare handler (`/healthz`, 64 clients) answered {:.0} requests a second.",
        bare.per_second
    ));
    Ok(lines)
}

fn fitness_clients(
    running: &Running,
    askers: &[Asker],
    tokens: &[Arc<str>],
    clients: usize,
) -> Vec<Box<dyn Asking>> {
    let people = askers.iter().zip(tokens).cycle().take(clients).enumerate();
    people
        .map(|(client, (asker, token))| {
            boxed(AskFitness {
                port: running.service.port,
                token: Arc::clone(token),
                clamps: asker.clamps.clone(),
                random: Random::of(client),
            })
        })
        .collect()
}

fn tokens(bench: &Bench, running: &Running, askers: &[Asker]) -> Done<Vec<Arc<str>>> {
    askers
        .iter()
        .map(|asker| bench.wait(running.service.sign_in(asker.key)).map(Arc::from))
        .collect()
}

/// So many clients that record inspections.
fn inspecting(
    running: &Running,
    askers: &[Asker],
    tokens: &[Arc<str>],
    clients: usize,
) -> Vec<Box<dyn Asking>> {
    let people = askers.iter().zip(tokens).cycle().take(clients).enumerate();
    people
        .map(|(client, (asker, token))| {
            let rules = CAST
                .iter()
                .find(|member| member.key == asker.key)
                .and_then(|member| member.yard);
            boxed(Inspect {
                port: running.service.port,
                token: Arc::clone(token),
                clamps: asker.clamps.clone(),
                random: Random::of(client),
                client: (
                    u64::try_from(client).unwrap_or(0),
                    u64::try_from(clients).unwrap_or(1),
                ),
                findings: rules
                    .map(|yard| nothing_found(yard.yard().rule_set))
                    .unwrap_or_default()
                    .into(),
            })
        })
        .collect()
}

/// Records inspections for a while, so that something has happened.
pub fn happening(bench: &Bench, running: &Running) -> Done {
    let askers = askers(running, None, "inspector")?;
    let tokens = tokens(bench, running, &askers)?;
    let clients = inspecting(running, &askers, &tokens, 8);
    bench.wait(load(running.service.port, 201, clients, bench.seconds()))?;
    Ok(())
}

/// Recording single inspections, each durable before it is answered.
fn inspections(bench: &mut Bench) -> Done<Vec<Line>> {
    let running = bench.running(FLEET)?;
    let askers = askers(&running, None, "inspector")?;
    let tokens = tokens(bench, &running, &askers)?;
    let mut lines = Vec::new();
    let clients_of = |clients: usize| inspecting(&running, &askers, &tokens, clients);
    // One of them recorded, its record is what pgbench writes.
    bench.wait(load(
        running.service.port,
        201,
        clients_of(1),
        bench.seconds().min(std::time::Duration::from_secs(1)),
    ))?;
    let last = "select encode(bytes, 'hex') || '|' || encode(outcome, 'hex') from ledger
                 where position = (select max(position) from ledger)";
    let last = bench.databases().psql(&running.fleet.owner_url, &["-c", last])?;
    let (bytes, outcome) = last
        .trim()
        .split_once('|')
        .ok_or_else(|| Failure::new("nothing was recorded"))?;
    let more = [
        ("{bytes}", format!("\\x{bytes}")),
        ("{outcome}", format!("\\x{outcome}")),
    ];
    let files = scripts(bench, &running, "inspection", &askers, &more)?;
    for clients in [16, 64] {
        let mut slowest = Vec::new();
        let (ours, floor) = bench.alternate(
            |bench| {
                let seen = bench.wait(load(
                    running.service.port,
                    201,
                    clients_of(clients),
                    bench.seconds(),
                ))?;
                slowest.push(seen.slowest_hundredth_ms);
                Ok(seen.per_second)
            },
            |bench| {
                let script = Script {
                    url: &running.fleet.service_url,
                    role: "clampward_door",
                    files: &files,
                };
                pgbench::run(bench.databases(), &script, clients, bench.seconds())
            },
        )?;
        lines.push(Line {
            what: format!("Recording single inspections, durable, {clients} clients"),
            ours,
            floor,
            unit: "/s",
            target: Target::AtLeast(0.40),
            note: format!(
                "the door's statements in pgbench; 99 % within {:.0} ms",
                median(&slowest)
            ),
        });
    }
    Ok(lines)
}

/// Whether a request costs more where there are a hundred times as many clamps.
fn grown_fleet(bench: &mut Bench) -> Done<Vec<Line>> {
    const CLIENTS: usize = 16;
    let (small, large) = (bench.running(SMALL_FLEET)?, bench.running(FLEET)?);
    let small_askers = askers(&small, Some("safety"), "operator")?;
    let large_askers = askers(&large, Some("safety"), "operator")?;
    let small_tokens = tokens(bench, &small, &small_askers)?;
    let large_tokens = tokens(bench, &large, &large_askers)?;
    let per_request = |bench: &Bench, running: &Running, askers: &[Asker], tokens: &[Arc<str>]| {
        let asking = fitness_clients(running, askers, tokens, CLIENTS);
        let seen = bench.wait(load(running.service.port, 200, asking, bench.seconds()))?;
        Ok(1e6 / seen.per_second)
    };
    let (ours, floor) = bench.alternate(
        |bench| per_request(bench, &large, &large_askers, &large_tokens),
        |bench| per_request(bench, &small, &small_askers, &small_tokens),
    )?;
    Ok(vec![Line {
        what: "Fitness, 100,000 clamps against 1,000".to_owned(),
        ours,
        floor,
        unit: "µs",
        target: Target::AtMost(1.3),
        note: format!("machine's time per request, {CLIENTS} clients"),
    }])
}
