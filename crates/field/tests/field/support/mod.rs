//! A device, and a service in memory.

pub mod service;

use crate::domain::{World, id};
use clampward_domain::entry::{Body, JudgedBy, TaggedOut, Used};
use clampward_domain::ids::EntryId;
use clampward_domain::words::LockoutReason;
use clampward_field::clock::{Clock, Moment};
use clampward_field::core::Report;
use clampward_field::database::Database;
use clampward_field::device::{self, Fact, Named};
use clampward_field::offline::{self, Answer};
use clampward_field::session::{Transport, synchronise};
use clampward_wire::sync::device::Enrolled;
use clampward_wire::sync::push::{JudgedOffline, PushEntry};
use jiff::{SignedDuration, Timestamp};
use service::Service;
use std::cell::Cell;
use std::path::{Path, PathBuf};
use uuid::Uuid;

/// A clock that a test sets.
pub struct TestClock {
    pub wall: Cell<Timestamp>,
    pub boot: Cell<Uuid>,
    pub ms: Cell<u64>,
}

impl TestClock {
    pub fn new(wall: &str) -> Self {
        Self {
            wall: Cell::new(wall.parse().unwrap()),
            boot: Cell::new(Uuid::from_u128(1)),
            ms: Cell::new(1_000_000),
        }
    }
    /// Time passes, on both clocks.
    pub fn pass(&self, by: SignedDuration) {
        self.wall.set(self.wall.get() + by);
        self.ms
            .set(self.ms.get() + u64::try_from(by.as_millis()).unwrap());
    }
    /// The device is started anew.
    pub fn restart(&self) {
        self.boot.set(Uuid::from_u128(self.boot.get().as_u128() + 1));
        self.ms.set(5_000);
    }
}

impl Clock for TestClock {
    fn moment(&self) -> Moment {
        Moment {
            wall: self.wall.get(),
            boot: self.boot.get(),
            monotonic_ms: self.ms.get(),
        }
    }
    fn wait(&self, milliseconds: u64) {
        self.pass(SignedDuration::from_millis(i64::try_from(milliseconds).unwrap()));
    }
}

/// A device in a folder of its own.
pub struct Device {
    pub folder: tempfile::TempDir,
    pub database: Database,
    pub clock: TestClock,
    next: u128,
}

/// When the tests begin.
pub const NOON: &str = "2025-01-20T12:00:00Z";

impl Device {
    pub fn enrolled() -> Self {
        Self::named("tablet")
    }
    pub fn named(name: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let mut database = Database::open(&folder.path().join("field.sqlite")).unwrap();
        device::take_up(&mut database, "http://127.0.0.1:1", &enrolment(name)).unwrap();
        Self {
            folder,
            database,
            clock: TestClock::new(NOON),
            next: u128::from(name.len() as u8) << 64,
        }
    }
    pub fn path(&self) -> PathBuf {
        self.folder.path().join("field.sqlite")
    }
    /// The same folder, opened anew: as after the program was ended.
    pub fn reopened(self) -> Self {
        drop(self.database);
        let database = Database::open(&self.folder.path().join("field.sqlite")).unwrap();
        Self { database, ..self }
    }
    pub fn next_id(&mut self) -> EntryId {
        self.next += 1;
        EntryId::new(Uuid::from_u128(
            0x0199_0000_0000_7000_8000_0000_0000_0000 | self.next,
        ))
    }
    pub fn sync(&mut self, transport: &mut dyn Transport) -> Report {
        synchronise(&mut self.database, transport, &self.clock, &mut |_| {}).unwrap()
    }
    pub fn tell(&mut self, clamp: Named, by: &str, body: impl Into<Body>) -> PushEntry {
        self.write(clamp, by, None, body.into())
    }
    /// One that says by which versions it was judged.
    pub fn tell_judged_by(
        &mut self,
        clamp: Named,
        by: &str,
        judged_by: JudgedBy,
        body: impl Into<Body>,
    ) -> PushEntry {
        self.write(clamp, by, Some(judged_by.into()), body.into())
    }
    fn write(&mut self, clamp: Named, by: &str, judged_by: Option<JudgedOffline>, body: Body) -> PushEntry {
        let fact = Fact {
            id: self.next_id(),
            clamp,
            performed_by: id(by),
            judged_by,
            body,
        };
        device::tell(&mut self.database, fact, None, &self.clock).unwrap()
    }
    pub fn tag_out(&mut self, clamp: Named) -> PushEntry {
        self.tell(clamp, "operator", tag_out(LockoutReason::Dropped))
    }
    /// Many tag-outs, without waiting for the disk after each.
    pub fn tag_out_many(&mut self, clamps: impl Iterator<Item = Named>) {
        self.database
            .connection()
            .pragma_update(None, "synchronous", "off")
            .unwrap();
        for clamp in clamps {
            self.tag_out(clamp);
        }
        self.database
            .connection()
            .pragma_update(None, "synchronous", "full")
            .unwrap();
    }
    /// Three lifts within the last hour, the heaviest of so many kilograms.
    pub fn used(&mut self, clamp: Named, heaviest: &str) -> PushEntry {
        let from = self.clock.wall.get() - SignedDuration::from_hours(1);
        self.tell(
            clamp,
            "operator",
            Used {
                from,
                lifts: 3,
                heaviest_load: Some(crate::domain::kg(heaviest)),
                mean_load: None,
                abnormal_conditions: Vec::new(),
                against_stop: Vec::new(),
            },
        )
    }
    /// Takes something out of the reference data that was synchronised.
    pub fn forget(&mut self, kind: &str, id: Uuid) {
        let gone = self.database.write(|connection| {
            let named = rusqlite::params![kind, id.to_string()];
            Ok(connection.execute("delete from reference where kind = ?1 and id = ?2", named)?)
        });
        assert_eq!(gone.unwrap(), 1, "{kind} {id}");
    }
    pub fn ask(&self, mark: &str) -> Answer {
        offline::judge(self.database.connection(), mark, &self.clock.moment()).unwrap()
    }
    pub fn may_lift(&self, mark: &str) -> bool {
        self.ask(mark).fit
    }
    /// Codes of the reasons why not.
    pub fn why_not(&self, mark: &str) -> Vec<String> {
        let answer = self.ask(mark);
        assert_eq!(answer.fit, answer.reasons.is_empty());
        answer
            .reasons
            .iter()
            .map(|reason| reason.code.to_string())
            .collect()
    }
    pub fn kept(&self) -> Vec<clampward_field::journal::Kept> {
        clampward_field::journal::all(self.database.connection()).unwrap()
    }
    pub fn unsent(&self) -> u64 {
        clampward_field::journal::unsent(self.database.connection()).unwrap()
    }
}

pub fn tag_out(reason: LockoutReason) -> TaggedOut {
    TaggedOut {
        reason,
        note: None,
        photos: Vec::new(),
        bulletin: None,
        lift_check: None,
    }
}

pub fn enrolment(name: &str) -> Enrolled {
    Enrolled {
        device_id: id(name),
        name: name.to_owned(),
        device_number: 1,
        yards: Vec::new(),
        audience: "clampward".to_owned(),
    }
}

/// A service with one clamp in service in Houston, mark `HMW-0042`.
pub fn houston() -> Service {
    let mut service = Service::new(World::new());
    service.grant("houston");
    service.clamp_in_service("houston", "HMW-0042");
    service
}

/// Copies the database's files as they are.
pub fn copy_files(from: &Path, to: &Path) {
    for ending in ["", "-wal", "-shm"] {
        let name = format!("{}{ending}", from.display());
        if Path::new(&name).exists() {
            std::fs::copy(&name, format!("{}{ending}", to.display())).unwrap();
        }
    }
}
