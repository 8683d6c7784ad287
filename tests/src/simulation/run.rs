//! A run: so many operations out of one seed, then calm, then the oracle.

use super::author::{self, Papers};
use super::chance::Chance;
use super::ground::{Disaster, Ground};
use super::line::Weather;
use super::oracle::{self, Checked};
use super::tablet::Tablet;
use super::town::{Town, named};
use clampward_domain::ids::{ClampId, PersonId};
use jiff::{SignedDuration, Timestamp, ToSpan};
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::{Duration, Instant};

/// What to play.
#[derive(Clone, Debug)]
pub struct Options {
    /// The seed.
    pub seed: u64,
    /// Operations.
    pub operations: usize,
    /// The service's program.
    pub service: PathBuf,
    /// Tablets.
    pub tablets: usize,
    /// Clamps at the beginning.
    pub clamps: usize,
    /// Operations between two disasters, about.
    pub calm: usize,
    /// Of ten thousand operations, how many are a tablet that synchronises; what they leave is written offline.
    pub syncs: usize,
}

/// What a run came to.
#[derive(Clone, Debug)]
pub struct Report {
    /// The options.
    pub options: Options,
    /// Counters.
    pub seen: super::ground::Seen,
    /// What the oracle compared, the last time.
    pub checked: Checked,
    /// How often it did.
    pub checks: usize,
    /// Operations by name.
    pub operations: BTreeMap<&'static str, u64>,
    /// How long it took, without setting up.
    pub took: Duration,
}

impl std::fmt::Display for Report {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let milliseconds = usize::try_from(self.took.as_millis())
            .unwrap_or(usize::MAX)
            .max(1);
        let per_second = self.options.operations.saturating_mul(1000) / milliseconds;
        writeln!(
            f,
            "seed {}: {} operations in {:.1} s ({per_second}/s) {:?}",
            self.options.seed,
            self.options.operations,
            self.took.as_secs_f64(),
            self.operations
        )?;
        writeln!(
            f,
            "  {} requests, {} with a fault, {} late; disasters {:?}; rows lost and offered again {}; outcomes {:?}; trouble {:?}",
            self.seen.requests,
            self.seen.faults,
            self.seen.late,
            self.seen.disasters,
            self.seen.lost_rows,
            self.seen.outcomes,
            self.seen.troubles
        )?;
        write!(f, "  {} checks, the last of {:?}", self.checks, self.checked)
    }
}

/// Something that must never be, with the command that plays it again.
#[derive(Clone, Debug)]
pub struct Failure {
    /// What.
    pub what: String,
    /// How to play it again.
    pub replay: String,
}

impl std::fmt::Display for Failure {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}\nplay it again: {}", self.what, self.replay)
    }
}

struct Simulation {
    options: Options,
    town: Town,
    ground: Ground,
    tablets: Vec<Tablet>,
    clamps: Vec<(ClampId, Papers)>,
    chance: Chance,
    operations: BTreeMap<&'static str, u64>,
    done: usize,
    revocations: i64,
    /// The day on which it began: each withdrawal is from an earlier one, whatever midnight passes meanwhile.
    begun_on: jiff::civil::Date,
    checks: usize,
    checked: Checked,
    _folder: tempfile::TempDir,
}

/// Plays it.
pub fn run(options: &Options) -> Result<Report, Failure> {
    let mut simulation = Simulation::new(options.clone());
    let begun = Instant::now();
    let done = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| simulation.play()));
    let what = match done {
        Ok(Ok(())) => {
            return Ok(Report {
                options: options.clone(),
                seen: simulation.ground.seen.clone(),
                checked: simulation.checked.clone(),
                checks: simulation.checks,
                operations: simulation.operations.clone(),
                took: begun.elapsed(),
            });
        }
        Ok(Err(what)) => what,
        Err(panic) => {
            let text = panic.downcast_ref::<String>().cloned();
            text.or_else(|| panic.downcast_ref::<&str>().map(|text| (*text).to_owned()))
                .unwrap_or_else(|| "a panic".to_owned())
        }
    };
    Err(Failure {
        what: format!(
            "seed {} after {} operations: {what}\n{}",
            options.seed,
            simulation.done,
            simulation.ground.log()
        ),
        replay: format!(
            "cargo xtask simulate --seed {} --ops {} --tablets {} --clamps {} --calm {} --syncs {}",
            options.seed, options.operations, options.tablets, options.clamps, options.calm, options.syncs
        ),
    })
}

impl Simulation {
    fn new(options: Options) -> Self {
        let mut chance = Chance::new(options.seed);
        let mut ground = Ground::new(options.service.clone(), chance.number());
        let at = Timestamp::now().round(jiff::Unit::Second).unwrap() - 2.hours();
        let url = ground.service_url();
        let town = ground
            .runtime
            .block_on(Town::found(&url, at, options.tablets, &mut chance));
        ground.serve();
        let folder = tempfile::tempdir_in("/dev/shm")
            .or_else(|_| tempfile::tempdir())
            .unwrap();
        let mut tablets: Vec<Tablet> = (0..options.tablets)
            .map(|number| Tablet::new(&town, number, folder.path(), &mut chance))
            .collect();
        let mut clamps = Vec::new();
        for number in 0..options.clamps {
            let clamp = ClampId::new(chance.id());
            let mut papers = Papers::default();
            let tablet = &mut tablets[0];
            for written in author::first_entries(&town, number, &mut chance) {
                tablet.keep(&town.devices[0], clamp, written, &mut papers, &mut chance);
            }
            clamps.push((clamp, papers));
        }
        for tablet in &mut tablets {
            tablet.synchronise(&town, &mut ground);
        }
        Self {
            options,
            town,
            ground,
            tablets,
            clamps,
            chance,
            operations: BTreeMap::new(),
            done: 0,
            revocations: 0,
            begun_on: jiff::Zoned::now().date(),
            checks: 0,
            checked: Checked::default(),
            _folder: folder,
        }
    }

    fn play(&mut self) -> Result<(), String> {
        self.ground.weather = Weather::BAD;
        let mut next_disaster = self.options.calm / 2;
        let mut kinds = Vec::new();
        while self.done < self.options.operations {
            self.done += 1;
            let what = self.operation();
            *self.operations.entry(what).or_default() += 1;
            if self.done >= next_disaster {
                // Each kind comes before any comes again.
                if kinds.is_empty() {
                    kinds = vec![
                        Disaster::KillService,
                        Disaster::KillDatabase,
                        Disaster::FailOver,
                        Disaster::Restore,
                    ];
                    self.chance.shuffle(&mut kinds);
                }
                self.disaster(kinds.pop());
                next_disaster = self.done + self.options.calm / 2 + self.chance.below(self.options.calm);
            }
            if let Some(wrong) = self.ground.seen.wrong.clone() {
                return Err(wrong);
            }
            // Whether all is well is asked now and then, not only at the end.
            if self.done.is_multiple_of(20_000) {
                self.rest()?;
                // Long runs take hours.
                eprintln!(
                    "seed {}: {} operations so far, the last check of {:?}",
                    self.options.seed, self.done, self.checked
                );
            }
        }
        self.rest()
    }

    fn operation(&mut self) -> &'static str {
        let number = self.chance.below(self.tablets.len());
        let writes = 9_500 - self.options.syncs.min(9_500);
        match self.chance.below(10_000) {
            drawn if drawn < writes => {
                let place = self.chance.below(self.clamps.len());
                let (clamp, papers) = &mut self.clamps[place];
                self.tablets[number].write(&self.town, *clamp, papers, &mut self.chance);
                "write"
            }
            0..=9_499 => {
                self.tablets[number].synchronise(&self.town, &mut self.ground);
                "synchronise"
            }
            9_500..=9_699 => {
                self.ground.deliver_late(1);
                "late delivery"
            }
            9_700..=9_799 => {
                let number_of_clamp = self.clamps.len() + 1_000_000;
                let clamp = ClampId::new(self.chance.id());
                let mut papers = Papers::default();
                for written in author::first_entries(&self.town, number_of_clamp, &mut self.chance) {
                    let device = &self.town.devices[number];
                    self.tablets[number].keep(device, clamp, written, &mut papers, &mut self.chance);
                }
                self.clamps.push((clamp, papers));
                "register"
            }
            9_800..=9_819 => {
                self.move_yards(number);
                "move yards"
            }
            9_820..=9_824 => {
                self.revoke_somebody();
                "revoke a person"
            }
            9_825..=9_899 => {
                let seconds = i64::try_from(self.chance.below(3 * 24 * 3600)).unwrap();
                let ahead = self.chance.one_in(2);
                self.tablets[number].clocks.skew =
                    SignedDuration::from_secs(if ahead { seconds } else { -seconds });
                "shift a clock"
            }
            _ => {
                self.tablets[number].reboot(&mut self.chance);
                "restart a tablet"
            }
        }
    }

    /// Lets a disaster wait for the next push, and has somebody push. A machine is lost only after its standby was cut off
    /// for a while.
    fn disaster(&mut self, kind: Option<Disaster>) {
        let Some(kind) = kind else { return };
        if matches!(kind, Disaster::FailOver | Disaster::Restore) {
            self.ground.pair.cut_off().unwrap();
            // What is acknowledged from here on will be lost.
            for _ in 0..2 {
                for _ in 0..20 {
                    let number = self.chance.below(self.tablets.len());
                    let place = self.chance.below(self.clamps.len());
                    let (clamp, papers) = &mut self.clamps[place];
                    self.tablets[number].write(&self.town, *clamp, papers, &mut self.chance);
                }
                let number = self.chance.below(self.tablets.len());
                self.tablets[number].synchronise(&self.town, &mut self.ground);
            }
        }
        self.ground.waiting = Some(kind);
        for _ in 0..20 {
            let number = self.chance.below(self.tablets.len());
            let place = self.chance.below(self.clamps.len());
            let (clamp, papers) = &mut self.clamps[place];
            self.tablets[number].write(&self.town, *clamp, papers, &mut self.chance);
            self.tablets[number].synchronise(&self.town, &mut self.ground);
            if self.ground.waiting.is_none() {
                return;
            }
        }
        if let Some(kind) = self.ground.waiting.take() {
            self.ground.strike(kind);
            self.ground.after(kind);
        }
    }

    /// Asks as the administrator; trouble means that it did not happen.
    fn ask(
        &self,
        method: &str,
        path: &str,
        etag: Option<&str>,
        body: Option<&Value>,
    ) -> Option<(Option<String>, Value)> {
        let token = oracle::sign_in(&self.ground);
        let url = format!("{}{path}", self.ground.url);
        let bearer = format!("Bearer {token}");
        let mut answer = match (method, body) {
            ("GET", _) => self
                .ground
                .agent
                .get(&url)
                .header("Authorization", &bearer)
                .call(),
            ("PATCH", Some(body)) => self
                .ground
                .agent
                .patch(&url)
                .header("Authorization", &bearer)
                .header("If-Match", etag.unwrap_or("*"))
                .send_json(body),
            (_, body) => self
                .ground
                .agent
                .post(&url)
                .header("Authorization", &bearer)
                .header("Idempotency-Key", format!("\"{}\"", uuid::Uuid::now_v7()))
                .send_json(body.unwrap_or(&Value::Null)),
        }
        .ok()?;
        let etag = answer
            .headers()
            .get("etag")
            .and_then(|etag| etag.to_str().ok().map(str::to_owned));
        let status = answer.status().as_u16();
        let body: Value = answer.body_mut().read_json().unwrap_or_default();
        assert!(status < 300, "{method} {path}: {status} {body}");
        Some((etag, body))
    }

    fn move_yards(&mut self, number: usize) {
        let mut yards = self.town.yards.clone();
        self.chance.shuffle(&mut yards);
        yards.truncate(1 + self.chance.below(yards.len()));
        let path = format!("/v1/devices/{}", self.town.devices[number].id);
        if let Some((etag, _)) = self.ask("GET", &path, None, None) {
            self.ask(
                "PATCH",
                &path,
                etag.as_deref(),
                Some(&serde_json::json!({ "yards": yards })),
            );
        }
    }

    /// The other inspector's competence is withdrawn, each time from an earlier day on; what rested on it is assessed again.
    fn revoke_somebody(&mut self) {
        let Some(competence) = self.town.competences.first() else {
            return;
        };
        self.revocations += 1;
        let from = self.begun_on - self.revocations.days();
        let person: PersonId = named("other_inspector");
        let path = format!("/v1/users/{person}/competences/{competence}/revocation");
        let body = serde_json::json!({ "revoked_from": from, "reason": "not renewed" });
        self.ask("POST", &path, None, Some(&body));
    }

    /// Calm: everything arrives, everybody synchronises, nothing waits to be reassessed; then the oracle.
    fn rest(&mut self) -> Result<(), String> {
        self.ground.weather = Weather::CALM;
        self.ground.deliver_late(usize::MAX);
        let begun = Instant::now();
        loop {
            let mut quiet = true;
            for tablet in &mut self.tablets {
                let report = tablet.synchronise(&self.town, &mut self.ground);
                quiet &=
                    report.left == 0 && report.rows == 0 && report.clamps == 0 && report.troubles.is_empty();
                if begun.elapsed() > Duration::from_secs(600) {
                    return Err(format!(
                        "tablet {} does not come to rest: {report:?}",
                        tablet.number
                    ));
                }
            }
            if let Some(wrong) = self.ground.seen.wrong.clone() {
                return Err(wrong);
            }
            if quiet && self.pending() == 0 {
                break;
            }
        }
        self.checked = oracle::check(&self.town, &self.ground, &self.tablets)?;
        self.checks += 1;
        self.ground.weather = Weather::BAD;
        Ok(())
    }

    fn pending(&self) -> i64 {
        let owner = self.ground.owner_url();
        self.ground.runtime.block_on(async {
            use sqlx::Connection;
            let mut connection = sqlx::PgConnection::connect(&owner).await.unwrap();
            sqlx::query_scalar("select count(*) from pending_reassessment")
                .fetch_one(&mut connection)
                .await
                .unwrap()
        })
    }
}
