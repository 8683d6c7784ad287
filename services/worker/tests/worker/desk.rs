//! An invented company with a worker and a mail server.

use crate::support::Bench;
use crate::support::world::*;
use clampward_domain::ids::{ClampId, PersonId};
use clampward_domain::reference::YardScope;
use clampward_domain::words::Role;
use clampward_testkit::mail::{CaughtMail, MailCatcher};
use clampward_worker::post::Security;
use clampward_worker::{Post, PostOptions, Settings, Worker};
use jiff::SignedDuration;
use std::collections::BTreeMap;
use uuid::Uuid;

pub const NORTH_LEAD: PersonId = PersonId::new(Uuid::from_u128(0xc11));
pub const SOUTH_LEAD: PersonId = PersonId::new(Uuid::from_u128(0xc12));
pub const SAFETY: PersonId = PersonId::new(Uuid::from_u128(0xc13));

/// The company, what is caught, and a worker.
pub struct Desk {
    pub world: World,
    pub catcher: MailCatcher,
    pub worker: Worker,
}

impl Desk {
    /// A lead in each yard and somebody of the safety team. `LEAD` and the administrator have no role that is told first.
    pub async fn open() -> Self {
        let world = World::on(Bench::new().await).await;
        let one = |yard| YardScope::Some(vec![yard]);
        world
            .account(NORTH_LEAD, "NorthLead", &[Role::YardLead], one(NORTH))
            .await;
        world
            .account(SOUTH_LEAD, "SouthLead", &[Role::YardLead], one(SOUTH))
            .await;
        world
            .account(SAFETY, "Safety", &[Role::Safety], YardScope::All)
            .await;
        let catcher = MailCatcher::start().await.unwrap();
        let worker = worker(&world, catcher.port);
        let desk = Self {
            world,
            catcher,
            worker,
        };
        desk.catch_up().await;
        desk.caught();
        desk
    }

    /// Everything that is to be told by now is told.
    pub async fn catch_up(&self) {
        self.worker.raise().await.unwrap();
        while self.worker.send_one().await.unwrap() {}
    }

    /// Mails so far, by the part before the `@` of their recipient.
    pub fn caught(&self) -> BTreeMap<String, Vec<CaughtMail>> {
        let mut by: BTreeMap<String, Vec<CaughtMail>> = BTreeMap::new();
        for mail in self.catcher.mails() {
            let name = mail.to.split('@').next().unwrap_or_default().to_owned();
            by.entry(name).or_default().push(mail);
        }
        by
    }

    /// How many mails each has had.
    pub fn counts(&self) -> BTreeMap<String, usize> {
        self.caught()
            .into_iter()
            .map(|(name, mails)| (name, mails.len()))
            .collect()
    }

    pub fn later(&self, by: SignedDuration) {
        self.world.bench.clock.advance(by);
    }

    /// Somebody's account is closed.
    pub async fn close(&self, person: PersonId) {
        let store = &self.world.bench.store;
        let account = store.account(person).await.unwrap().unwrap();
        let mut body = account.body;
        body.enabled = false;
        store
            .change_account(self.world.uuid(), ADMINISTRATOR, person, account.version, &body)
            .await
            .unwrap();
    }

    pub async fn clamp(&self, number: &str) -> ClampId {
        let clamp = self.world.in_service(number).await;
        self.worker.raise().await.unwrap();
        clamp
    }
}

pub fn worker(world: &World, port: u16) -> Worker {
    let post = Post::new(PostOptions {
        host: "127.0.0.1".to_owned(),
        port,
        security: Security::None,
        authority: None,
        credentials: None,
        from: "Clampward <clampward@example.test>".to_owned(),
    })
    .unwrap();
    let settings = Settings {
        service: Some("https://clampward.example.test".to_owned()),
        senders: 2,
        callers: 2,
    };
    Worker::new(world.bench.store.clone(), Some(post), settings)
}
