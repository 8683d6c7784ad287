//! A tablet: the real field client with a database of its own, clocks that go wrong, and people who write on it.

use super::author::{self, Papers, Written};
use super::chance::Chance;
use super::ground::Ground;
use super::line::Line;
use super::town::{AUDIENCE, Device, Town};
use clampward_domain::entry::ToBeSigned;
use clampward_domain::ids::{ClampId, EntryId};
use clampward_field::clock::{Clock, Moment};
use clampward_field::core::Report;
use clampward_field::database::Database;
use clampward_field::{device, journal, mirror, offline, session};
use clampward_wire::sync::device::Enrolled;
use clampward_wire::sync::push::{JudgedOffline, PushEntry};
use jiff::{SignedDuration, Timestamp};
use std::path::Path;
use std::time::{Duration, Instant};
use uuid::Uuid;

/// Clocks of a tablet.
pub struct Clocks {
    /// How far the one on the wall is off.
    pub skew: SignedDuration,
    boot: Uuid,
    started: Instant,
}

impl Clock for Clocks {
    fn moment(&self) -> Moment {
        let now = (Timestamp::now() + self.skew)
            .round(jiff::Unit::Microsecond)
            .unwrap();
        Moment {
            wall: now,
            boot: self.boot,
            monotonic_ms: 1_000 + u64::try_from(self.started.elapsed().as_millis()).unwrap(),
        }
    }
    fn wait(&self, milliseconds: u64) {
        // Nobody is in a hurry but the one who waits for the simulation.
        std::thread::sleep(Duration::from_millis(milliseconds.min(3)));
    }
}

/// A tablet.
pub struct Tablet {
    /// Its place among the town's devices.
    pub number: usize,
    /// Its database.
    pub database: Database,
    /// Its clocks.
    pub clocks: Clocks,
    token: Option<String>,
}

impl Tablet {
    /// A tablet that was enrolled.
    pub fn new(town: &Town, number: usize, folder: &Path, chance: &mut Chance) -> Self {
        let enrolled = &town.devices[number];
        let mut database = Database::open(&folder.join(format!("tablet-{number}.db"))).unwrap();
        let identity = Enrolled {
            device_id: enrolled.id,
            name: format!("Tablet {number}"),
            device_number: 1,
            yards: town.yards.clone(),
            audience: AUDIENCE.to_owned(),
        };
        device::take_up(&mut database, "http://127.0.0.1", &identity).unwrap();
        Self {
            number,
            database,
            clocks: Clocks {
                skew: SignedDuration::ZERO,
                boot: chance.id(),
                started: Instant::now(),
            },
            token: None,
        }
    }

    /// It is started anew.
    pub fn reboot(&mut self, chance: &mut Chance) {
        self.clocks.boot = chance.id();
        self.clocks.started = Instant::now();
    }

    /// Somebody writes about a clamp.
    pub fn write(&mut self, town: &Town, clamp: ClampId, papers: &mut Papers, chance: &mut Chance) {
        let row = mirror::clamp(self.database.connection(), clamp).unwrap();
        let moment = self.clocks.moment();
        let written = author::write(
            town,
            row.as_ref().map(|row| &row.state),
            papers,
            moment.wall,
            chance,
        );
        self.keep(&town.devices[self.number], clamp, written, papers, chance);
    }

    /// Keeps an entry in the journal. Now and then it is not signed, or bears a wrong signature.
    pub fn keep(
        &mut self,
        device: &Device,
        clamp: ClampId,
        written: Written,
        papers: &mut Papers,
        chance: &mut Chance,
    ) -> EntryId {
        let moment = self.clocks.moment();
        let body = written.body.to_json().unwrap();
        let id = EntryId::new(chance.id());
        let signed = ToBeSigned {
            id,
            device_id: device.id,
            clamp_id: Some(clamp),
            mark: None,
            kind: written.body.kind(),
            performed_at: moment.wall,
            performed_by: written.by,
            body: &body,
        };
        let mut signature = (!chance.one_in(20)).then(|| device.sign(&signed));
        if chance.one_in(100)
            && let Some(signature) = &mut signature
        {
            signature.value = signature.value.chars().rev().collect();
        }
        let entry = PushEntry {
            id,
            device_seq: 0,
            clamp_id: Some(clamp),
            mark: None,
            kind: written.body.kind(),
            performed_at: moment.wall,
            boot: moment.boot,
            monotonic_ms: moment.monotonic_ms,
            performed_by: written.by,
            signature,
            judged_by: self.judges_by(clamp, moment.wall).filter(|_| !chance.one_in(5)),
            body,
        };
        journal::keep(&mut self.database, entry, &moment).unwrap();
        papers.file(id, &written.body);
        id
    }

    /// The versions by which the tablet judges a clamp that it shows.
    fn judges_by(&self, clamp: ClampId, at: Timestamp) -> Option<JudgedOffline> {
        let connection = self.database.connection();
        let row = mirror::clamp(connection, clamp).unwrap()?;
        let known = offline::known(connection, row, None).unwrap();
        offline::versions(&known, at).map(JudgedOffline::from)
    }

    /// One run of the synchronisation.
    pub fn synchronise(&mut self, town: &Town, ground: &mut Ground) -> Report {
        let mut line = Line {
            ground,
            device: &town.devices[self.number],
            token: &mut self.token,
        };
        session::synchronise(&mut self.database, &mut line, &self.clocks, &mut |_| {}).unwrap()
    }
}
