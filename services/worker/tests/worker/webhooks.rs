//! Programs that are told of events: signed, each event once under one id, in the order of each clamp's entries, whatever the
//! program or the worker does meanwhile; and never anybody who is not listed.

use crate::desk::Desk;
use crate::support::world::*;
use clampward_domain::entry::{Inspected, Release, Retired, ReturnedToService};
use clampward_domain::ids::{BulletinId, ClampId, EntryId, LockoutId, YardId};
use clampward_domain::notice::NoticeKind;
use clampward_domain::out_period::{self, OutKind};
use clampward_domain::reference::{Yard, YardScope};
use clampward_domain::webhook::{DeliveryState, EventType, PausedBecause, barring_id, event_id};
use clampward_domain::words::{ExceptionalReason, Grade, Ground, InspectionKind, LockoutReason};
use clampward_process::targets::Targets;
use clampward_process::webhook_keys::WebhookKeys;
use clampward_store::Recorded;
use clampward_store::notices::NoticeFilter;
use clampward_store::reference::YardChange;
use clampward_store::reports::GroupBy;
use clampward_store::webhooks::{EndpointBody, KEPT_FOR, NewKeys, WebhookError};
use clampward_testkit::webhook::{NAME, Receiver, Reply, Told};
use clampward_worker::webhook::LookUp;
use clampward_worker::{Caller, CallerOptions, Settings, Worker};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp, ToSpan};
use std::collections::{BTreeMap, BTreeSet};
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;
use uuid::Uuid;

const KEYS: [u8; 64] = [7; 64];

/// A company, a program that is told of its events, and a worker that tells it.
struct Line {
    desk: Desk,
    receiver: Receiver,
    endpoint: Uuid,
    worker: Worker,
}

fn always(address: SocketAddr) -> LookUp {
    Arc::new(move |_| Box::pin(async move { Ok(vec![address]) }))
}

fn url() -> String {
    format!("https://{NAME}/hooks")
}

impl Line {
    async fn open() -> Self {
        Self::about(&[]).await
    }

    /// Told of these, or of everything.
    async fn about(events: &[EventType]) -> Self {
        let desk = Desk::open().await;
        let receiver = Receiver::start().await.unwrap();
        let endpoint = desk.world.uuid();
        let all = || {
            EventType::ALL
                .iter()
                .copied()
                .filter(|event| event.is_subscribed())
                .collect()
        };
        let events = if events.is_empty() { all() } else { events.to_vec() };
        let body = EndpointBody {
            url: url(),
            description: "counts".to_owned(),
            events,
            paused: None,
        };
        let keys = NewKeys {
            id: desk.world.uuid(),
            bytes: KEYS,
        };
        let store = &desk.world.bench.store;
        store
            .create_webhook_endpoint(ADMINISTRATOR, endpoint, &body, &keys)
            .await
            .unwrap();
        let address = SocketAddr::from(([127, 0, 0, 1], receiver.port));
        let worker = worker(&desk, Some(receiver.authority.clone()), always(address));
        Self {
            desk,
            receiver,
            endpoint,
            worker,
        }
    }

    /// Everything that is to be delivered by now is tried.
    async fn catch_up(&self) {
        while self.worker.read_on().await.unwrap() {}
        while self.worker.deliver_one().await.unwrap() {}
    }

    fn later(&self, minutes: i64) {
        self.desk.later(SignedDuration::from_mins(minutes));
    }

    /// What the program was told so far of these types, without repeats of the same event.
    fn told(&self) -> Vec<Event> {
        let mut seen = BTreeSet::new();
        let told = self.receiver.told();
        let events = told.iter().map(Event::of);
        events.filter(|event| seen.insert(event.id)).collect()
    }

    fn types(&self) -> Vec<EventType> {
        self.told().into_iter().map(|event| event.kind).collect()
    }

    async fn paused(&self) -> Option<PausedBecause> {
        let store = &self.desk.world.bench.store;
        store
            .webhook_endpoint(self.endpoint)
            .await
            .unwrap()
            .unwrap()
            .body
            .paused
    }

    async fn goes_on(&self) {
        let store = &self.desk.world.bench.store;
        let endpoint = store.webhook_endpoint(self.endpoint).await.unwrap().unwrap();
        let mut body = endpoint.body;
        body.paused = None;
        store
            .change_webhook_endpoint(ADMINISTRATOR, self.endpoint, endpoint.version, &body)
            .await
            .unwrap();
    }

    /// What administrators were told of webhooks.
    async fn notices(&self) -> Vec<String> {
        let filter = NoticeFilter {
            recipient: Some(ADMINISTRATOR),
            kind: Some(NoticeKind::WebhookFailing),
            clamp: None,
            open: None,
        };
        let store = &self.desk.world.bench.store;
        let notices = store.notices(&YardScope::All, &filter, None, 50).await.unwrap();
        notices
            .into_iter()
            .map(|notice| notice.about.detail.unwrap())
            .collect()
    }

    async fn tags_out(&self, clamp: ClampId) -> Recorded {
        self.desk
            .world
            .does(OPERATOR, clamp, tag_out(LockoutReason::Precaution))
            .await
    }

    async fn states(&self) -> BTreeMap<Uuid, (DeliveryState, Option<String>)> {
        let store = &self.desk.world.bench.store;
        let all = store
            .webhook_deliveries(self.endpoint, None, None, 1000)
            .await
            .unwrap();
        all.into_iter()
            .map(|one| (one.event, (one.state, one.last_error)))
            .collect()
    }
}

fn worker(desk: &Desk, authority: Option<String>, look_up: LookUp) -> Worker {
    let caller = Caller::new(CallerOptions {
        targets: format!("inside:{NAME}").parse::<Targets>().unwrap(),
        authority: authority.map(String::into_bytes),
        look_up: Some(look_up),
        patience: Duration::from_millis(1500),
    })
    .unwrap();
    let settings = Settings {
        service: None,
        senders: 0,
        callers: 2,
    };
    Worker::new(desk.world.bench.store.clone(), None, settings).calling(caller)
}

/// An event as its receiver reads it.
#[derive(Clone, Debug)]
struct Event {
    id: Uuid,
    kind: EventType,
    clamp: Uuid,
    entry: Option<Uuid>,
    at: Timestamp,
    fit_until: Option<Timestamp>,
}

impl Event {
    fn of(told: &Told) -> Self {
        let body: serde_json::Value = serde_json::from_str(&told.body).unwrap();
        let data = &body["data"];
        let read = |value: &serde_json::Value| serde_json::from_value(value.clone()).unwrap();
        Self {
            id: told.header["webhook-id"].parse().unwrap(),
            kind: body["type"].as_str().unwrap().parse().unwrap(),
            clamp: data["id"].as_str().unwrap().parse().unwrap(),
            entry: data
                .get("entry_id")
                .map(|id| id.as_str().unwrap().parse().unwrap()),
            at: body["timestamp"].as_str().unwrap().parse().unwrap(),
            fit_until: read(&data["fit_until"]),
        }
    }
}

/// Against the reference library of the specification.
fn is_signed(told: &Told, secret: &str, at: Timestamp) -> bool {
    let hook = standardwebhooks::Webhook::new(secret).unwrap();
    assert_eq!(told.header["webhook-timestamp"], at.as_second().to_string());
    // The library knows `v1` and passes over what it does not know; its clock is the machine's, so the time is not asked about.
    let id = &told.header["webhook-id"];
    let expected = hook.sign(id, at.as_second(), told.body.as_bytes()).unwrap();
    told.header["webhook-signature"]
        .split(' ')
        .any(|one| one == expected)
}

#[tokio::test]
async fn a_clamps_life_is_told_in_its_order_signed_and_once() {
    let line = Line::open().await;
    let world = &line.desk.world;
    let clamp = world.in_service("17").await;
    line.catch_up().await;
    let fit: Vec<Event> = line.told();
    let kinds: Vec<EventType> = fit.iter().map(|event| event.kind).collect();
    assert_eq!(
        kinds,
        [
            EventType::ClampChanged,
            EventType::ClampChanged,
            EventType::InspectionRecorded
        ]
    );
    assert!(fit.iter().all(|event| event.fit_until.is_some()), "{fit:?}");
    line.later(60);
    let out = line.tags_out(clamp).await;
    line.catch_up().await;
    assert_eq!(
        line.types()[3..],
        [EventType::ClampChanged, EventType::ClampTaggedOut]
    );
    let told = line.told()[4].clone();
    assert_eq!(
        (told.clamp, told.entry, told.fit_until),
        (clamp.uuid(), Some(out.id.uuid()), None)
    );
    assert_eq!(told.id, event_id(out.id.uuid(), EventType::ClampTaggedOut));
    assert_eq!(told.at, out.recorded_at);
    line.later(60);
    let lockout = out.outcome.unwrap().opened[0].id;
    let inspected = world.does(INSPECTOR, clamp, exceptional(lockout)).await;
    world.does(LEAD, clamp, release(lockout, inspected.id)).await;
    world.does(LEAD, clamp, scrapped()).await;
    line.catch_up().await;
    assert_eq!(
        line.types()[5..],
        [
            EventType::ClampChanged,
            EventType::InspectionRecorded,
            EventType::ClampChanged,
            EventType::ClampReturnedToService,
            EventType::ClampChanged,
            EventType::ClampRetired,
        ]
    );
    let secret = WebhookKeys::new(&KEYS).unwrap().secret();
    let received = line.receiver.told();
    assert_eq!(received.len(), line.told().len(), "nothing came twice");
    assert!(is_signed(
        received.last().unwrap(),
        &secret,
        world.bench.store.now()
    ));
    let other = WebhookKeys::new(&[8; 64]).unwrap().secret();
    assert!(!is_signed(
        received.last().unwrap(),
        &other,
        world.bench.store.now()
    ));
}

fn scrapped() -> Retired {
    serde_json::from_value(
        serde_json::json!({"reason": "bent", "made_unusable": "cut through", "witness": "Eva Holt"}),
    )
    .unwrap()
}

fn exceptional(lockout: LockoutId) -> Inspected {
    Inspected {
        lockouts: vec![lockout],
        exceptional_reason: Some(ExceptionalReason::Precaution),
        dismantled: Some(true),
        crack_tested: Some(true),
        ..inspection(InspectionKind::Exceptional)
    }
}

fn release(lockout: LockoutId, inspection: EntryId) -> ReturnedToService {
    ReturnedToService {
        releases: vec![Release {
            lockout_id: lockout,
            ground: Ground::InspectedFit,
            repair_entry: None,
            inspection_entry: Some(inspection),
            proof_test_entry: None,
            correction_entry: None,
            maker_document: None,
            statement: None,
        }],
    }
}

#[tokio::test]
async fn only_what_is_wanted_is_told_and_nothing_of_what_was_before_or_was_not_recorded() {
    let line = Line::about(&[EventType::ClampTaggedOut]).await;
    let world = &line.desk.world;
    let clamp = world.in_service("17").await;
    let entry = world.entry(
        clamp,
        LEAD,
        release(LockoutId::new(world.uuid()), EntryId::new(world.uuid())),
    );
    let refused = world.record(clampward_store::Mode::Refuse, entry).await;
    assert!(refused.is_err(), "nothing is released of which nothing is shown");
    line.tags_out(clamp).await;
    line.catch_up().await;
    assert_eq!(line.types(), [EventType::ClampTaggedOut]);
    // A second endpoint hears nothing of what was before it.
    let store = &world.bench.store;
    let body = EndpointBody {
        url: url(),
        description: "another".to_owned(),
        events: vec![EventType::ClampTaggedOut],
        paused: None,
    };
    let keys = NewKeys {
        id: world.uuid(),
        bytes: [9; 64],
    };
    store
        .create_webhook_endpoint(ADMINISTRATOR, world.uuid(), &body, &keys)
        .await
        .unwrap();
    line.later(1);
    line.catch_up().await;
    assert_eq!(line.receiver.told().len(), 1);
}

#[tokio::test]
async fn one_clamp_that_the_program_cannot_take_for_two_days_keeps_its_order_and_no_other_waiting() {
    let line = Line::about(&[EventType::ClampChanged]).await;
    let world = &line.desk.world;
    let (bad, good) = (world.in_service("17").await, world.in_service("18").await);
    line.receiver
        .behave(move |told| match Event::of(told).clamp == bad.uuid() {
            true => Reply::Status(500),
            false => Reply::Takes,
        });
    let mut of_bad = Vec::new();
    for _ in 0..48 {
        line.later(60);
        for clamp in [bad, good] {
            let out = line.tags_out(clamp).await.id;
            if clamp == bad {
                of_bad.push(out.uuid());
            }
        }
        line.catch_up().await;
    }
    let of = |clamp: ClampId| -> Vec<Event> {
        line.told()
            .into_iter()
            .filter(|event| event.clamp == clamp.uuid())
            .collect()
    };
    assert_eq!(of(good).len(), 50);
    assert_eq!(of(bad).len(), 1, "what came after it waits behind it");
    let tries = line
        .receiver
        .told()
        .iter()
        .filter(|told| Event::of(told).clamp == bad.uuid())
        .count();
    assert!((10..=60).contains(&tries), "{tries} tries in two days");
    line.receiver.behave(|_| Reply::Takes);
    line.later(90);
    line.catch_up().await;
    let entries: Vec<Uuid> = of(bad).into_iter().filter_map(|event| event.entry).collect();
    assert_eq!(entries[2..], of_bad);
    assert_eq!(line.paused().await, None);
}

#[tokio::test]
async fn a_program_that_was_away_for_three_days_catches_up_and_hears_of_each_event_once() {
    let line = Line::about(&[EventType::ClampChanged]).await;
    let world = &line.desk.world;
    let clamps = [world.in_service("17").await, world.in_service("18").await];
    line.catch_up().await;
    let before = line.told().len();
    line.receiver.behave(|_| Reply::Busy(120));
    let mut entries = Vec::new();
    for hour in 0..72 {
        line.later(60);
        entries.push(line.tags_out(clamps[hour % 2]).await.id.uuid());
        line.catch_up().await;
    }
    let refused = line.receiver.told().len() - before;
    assert!(refused <= 72 * 2, "it was asked {refused} times");
    let status = world
        .bench
        .store
        .webhook_status(line.endpoint)
        .await
        .unwrap()
        .unwrap();
    assert_eq!((status.waiting, status.position), (72, status.head));
    assert!(status.failing_since.is_some() && status.last_error.unwrap().contains("503"));
    line.receiver.behave(|_| Reply::Takes);
    line.later(30);
    line.catch_up().await;
    let told = &line.receiver.told()[before + refused..];
    let heard: BTreeSet<Uuid> = told.iter().filter_map(|told| Event::of(told).entry).collect();
    assert_eq!(heard, entries.iter().copied().collect());
    assert_eq!(told.len(), 72);
    for clamp in clamps {
        let of = |events: Vec<Event>| {
            events
                .into_iter()
                .filter(|event| event.clamp == clamp.uuid())
                .filter_map(|event| event.entry)
                .collect::<Vec<_>>()
        };
        let order: Vec<Uuid> = entries
            .iter()
            .copied()
            .filter(|entry| of(told.iter().map(Event::of).collect()).contains(entry))
            .collect();
        assert_eq!(of(told.iter().map(Event::of).collect()), order);
    }
    let status = world
        .bench
        .store
        .webhook_status(line.endpoint)
        .await
        .unwrap()
        .unwrap();
    assert_eq!((status.waiting, status.failing_since), (0, None));
}

#[tokio::test]
async fn after_five_days_of_nothing_it_is_paused_with_a_notice_and_goes_on_where_it_stopped() {
    let line = Line::about(&[EventType::ClampTaggedOut]).await;
    let world = &line.desk.world;
    let clamp = world.in_service("17").await;
    line.receiver.behave(|_| Reply::Status(503));
    let first = line.tags_out(clamp).await.id.uuid();
    for _ in 0..(6 * 24) {
        line.catch_up().await;
        line.later(60);
    }
    assert_eq!(line.paused().await, Some(PausedBecause::Failing));
    let notices = line.notices().await;
    assert_eq!(notices.len(), 1, "{notices:?}");
    assert!(
        notices[0].contains("nothing could be delivered for 5 days"),
        "{notices:?}"
    );
    line.desk.catch_up().await;
    assert_eq!(
        line.desk.counts()["admin"],
        1,
        "whoever runs the service gets a mail"
    );
    let asked = line.receiver.told().len();
    line.receiver.behave(|_| Reply::Takes);
    let second = line.tags_out(clamp).await.id.uuid();
    line.catch_up().await;
    assert_eq!(
        line.receiver.told().len(),
        asked,
        "it is asked nothing while it is paused"
    );
    line.goes_on().await;
    line.catch_up().await;
    let told: Vec<Uuid> = line.receiver.told()[asked..]
        .iter()
        .filter_map(|told| Event::of(told).entry)
        .collect();
    assert_eq!(told, [first, second]);
    line.receiver.behave(|_| Reply::Status(410));
    line.tags_out(clamp).await;
    line.catch_up().await;
    assert_eq!(line.paused().await, Some(PausedBecause::Gone));
    assert_eq!(line.notices().await.len(), 2, "each pause is told");
}

#[tokio::test]
async fn one_event_that_is_never_taken_is_given_up_after_a_week_is_told_and_can_be_asked_for() {
    // Also one by which the program breaks down, which looks as if it were away.
    for status in [422, 503] {
        never_taken(status).await;
    }
}

async fn never_taken(status: u16) {
    let line = Line::about(&[EventType::ClampTaggedOut]).await;
    let world = &line.desk.world;
    let (bad, good) = (world.in_service("17").await, world.in_service("18").await);
    let first = line.tags_out(bad).await.id.uuid();
    let poison = event_id(first, EventType::ClampTaggedOut);
    line.receiver
        .behave(move |told| match Event::of(told).id == poison {
            true => Reply::Status(status),
            false => Reply::Takes,
        });
    let second = line.tags_out(bad).await.id.uuid();
    for _ in 0..(8 * 24) {
        line.catch_up().await;
        line.later(60);
        if world.bench.store.now().as_second() % 7200 < 3600 {
            line.tags_out(good).await;
        }
    }
    line.catch_up().await;
    assert_eq!(line.paused().await, None);
    assert_eq!(line.states().await[&poison].0, DeliveryState::GivenUp);
    let notices = line.notices().await;
    assert!(
        notices.len() == 1 && notices[0].contains("given up") && notices[0].contains(&status.to_string()),
        "{notices:?}"
    );
    let told = line.told();
    assert!(
        told.iter().any(|event| event.entry == Some(second)),
        "what came after it is told"
    );
    line.receiver.behave(|_| Reply::Takes);
    let store = &world.bench.store;
    assert_eq!(store.redeliver_event(line.endpoint, poison).await.unwrap(), 1);
    line.catch_up().await;
    assert_eq!(line.states().await[&poison].0, DeliveryState::Delivered);
}

#[tokio::test]
async fn nobody_sends_it_elsewhere() {
    let line = Line::about(&[EventType::ClampTaggedOut]).await;
    let world = &line.desk.world;
    let clamp = world.in_service("17").await;
    line.receiver
        .behave(|_| Reply::Redirects("https://169.254.169.254/latest/meta-data".to_owned()));
    let event = event_id(line.tags_out(clamp).await.id.uuid(), EventType::ClampTaggedOut);
    line.catch_up().await;
    assert_eq!(line.receiver.told().len(), 1);
    let (state, error) = line.states().await[&event].clone();
    assert_eq!(state, DeliveryState::Waiting);
    assert!(error.unwrap().contains("a redirect is not followed"));

    // Its name leads elsewhere the second time it is looked up.
    let asked = Arc::new(AtomicUsize::new(0));
    let there = SocketAddr::from(([127, 0, 0, 1], line.receiver.port));
    let elsewhere: SocketAddr = "169.254.169.254:443".parse().unwrap();
    let look_up: LookUp = {
        let asked = Arc::clone(&asked);
        Arc::new(move |_| {
            let first = asked.fetch_add(1, Ordering::Relaxed) == 0;
            Box::pin(async move { Ok(vec![if first { there } else { elsewhere }]) })
        })
    };
    line.receiver.behave(|_| Reply::BreaksOff);
    let worker = worker(&line.desk, Some(line.receiver.authority.clone()), look_up);
    for _ in 0..2 {
        line.later(10);
        while worker.deliver_one().await.unwrap() {}
    }
    assert_eq!(asked.load(Ordering::Relaxed), 2);
    assert_eq!(line.receiver.told().len(), 2);
    let (_, error) = line.states().await[&event].clone();
    assert!(
        error
            .unwrap()
            .contains("169.254.169.254, where nothing may be called")
    );
    // Nor if only one of its addresses does.
    let both: LookUp = Arc::new(move |_| Box::pin(async move { Ok(vec![there, elsewhere]) }));
    let worker = self::worker(&line.desk, Some(line.receiver.authority.clone()), both);
    line.later(10);
    while worker.deliver_one().await.unwrap() {}
    assert_eq!(line.receiver.told().len(), 2);
}

#[tokio::test]
async fn a_host_that_is_not_listed_any_more_is_not_called() {
    let line = Line::about(&[EventType::ClampTaggedOut]).await;
    let clamp = line.desk.world.in_service("17").await;
    line.tags_out(clamp).await;
    line.worker.read_on().await.unwrap();
    let address = SocketAddr::from(([127, 0, 0, 1], line.receiver.port));
    let caller = Caller::new(CallerOptions {
        targets: "another.halvorsund.example".parse().unwrap(),
        authority: Some(line.receiver.authority.clone().into_bytes()),
        look_up: Some(always(address)),
        patience: Duration::from_secs(1),
    })
    .unwrap();
    let settings = Settings {
        service: None,
        senders: 0,
        callers: 1,
    };
    let worker = Worker::new(line.desk.world.bench.store.clone(), None, settings).calling(caller);
    assert!(worker.deliver_one().await.unwrap());
    assert_eq!(line.receiver.told().len(), 0);
    // Listed again, it is told.
    line.later(1);
    line.catch_up().await;
    assert_eq!(line.types(), [EventType::ClampTaggedOut]);
}

#[tokio::test]
async fn answers_that_never_end_break_off_or_never_come_hold_up_nothing_and_lose_nothing() {
    let line = Line::about(&[EventType::ClampTaggedOut]).await;
    let world = &line.desk.world;
    let clamp = world.in_service("17").await;
    line.receiver.behave(|_| Reply::Floods);
    line.tags_out(clamp).await;
    line.catch_up().await;
    assert_eq!(line.types().len(), 1);
    assert!(
        line.receiver.flooded() < 4 * 1024 * 1024,
        "{}",
        line.receiver.flooded()
    );
    assert!(
        line.states()
            .await
            .values()
            .all(|(state, _)| *state == DeliveryState::Delivered)
    );

    for reply in [
        Reply::IsSilent,
        Reply::Half,
        Reply::BreaksOff,
        Reply::Status(404),
        Reply::Status(302),
    ] {
        let shown = format!("{reply:?}");
        line.receiver.behave(move |_| reply.clone());
        let before = line.receiver.told().len();
        let out = line.tags_out(clamp).await.id.uuid();
        line.catch_up().await;
        line.receiver.behave(|_| Reply::Takes);
        line.later(60);
        line.catch_up().await;
        let told = line.receiver.told()[before..].to_vec();
        assert!(told.len() >= 2, "{shown}");
        let ids: BTreeSet<&str> = told
            .iter()
            .map(|told| told.header["webhook-id"].as_str())
            .collect();
        let bodies: BTreeSet<&str> = told.iter().map(|told| told.body.as_str()).collect();
        let expected = event_id(out, EventType::ClampTaggedOut).to_string();
        assert_eq!(ids, BTreeSet::from([expected.as_str()]), "{shown}");
        assert_eq!(bodies.len(), 1, "{shown}: the same bytes each time");
        assert!(
            line.states()
                .await
                .values()
                .all(|(state, _)| *state == DeliveryState::Delivered),
            "{shown}"
        );
    }
}

#[tokio::test]
async fn whoever_cannot_prove_who_they_are_is_told_nothing() {
    let line = Line::about(&[EventType::ClampTaggedOut]).await;
    let clamp = line.desk.world.in_service("17").await;
    line.tags_out(clamp).await;
    line.worker.read_on().await.unwrap();
    let address = SocketAddr::from(([127, 0, 0, 1], line.receiver.port));
    let worker = worker(&line.desk, None, always(address));
    while worker.deliver_one().await.unwrap() {}
    assert_eq!(line.receiver.told().len(), 0);
    let status = line
        .desk
        .world
        .bench
        .store
        .webhook_status(line.endpoint)
        .await
        .unwrap()
        .unwrap();
    let error = status.last_error.unwrap();
    assert!(error.contains("certificate"), "{error}");
    line.later(1);
    line.catch_up().await;
    assert_eq!(line.types().len(), 1);
}

#[tokio::test]
async fn a_worker_that_dies_leaves_its_delivery_to_the_next_and_a_late_one_ends_nobodys_lease() {
    let line = Line::about(&[EventType::ClampTaggedOut]).await;
    let world = &line.desk.world;
    let store = &world.bench.store;
    let clamp = world.in_service("17").await;
    line.tags_out(clamp).await;
    // It dies after it noted what is to be told, and again after it took it up.
    line.worker.read_on().await.unwrap();
    line.worker.read_on().await.unwrap();
    let first = world.uuid();
    let slow = store
        .claim_delivery(first, SignedDuration::from_mins(1))
        .await
        .unwrap()
        .unwrap();
    assert!(
        !line.worker.deliver_one().await.unwrap(),
        "somebody has it under lease"
    );
    line.later(2);
    let second = world.uuid();
    let again = store
        .claim_delivery(second, SignedDuration::from_mins(1))
        .await
        .unwrap()
        .unwrap();
    assert_eq!(
        (slow.event, slow.body.as_str(), slow.attempt),
        (again.event, again.body.as_str(), 1)
    );
    assert_eq!(again.attempt, 2);
    assert!(!store.delivered(&slow, first, 204).await.unwrap());
    let said = (None, "late");
    let now = store.now();
    assert!(
        !store
            .delivery_refused(&slow, first, said, Some(now))
            .await
            .unwrap()
    );
    assert!(!store.endpoint_away(&slow, first, said, (now, now)).await.unwrap());
    assert!(!store.endpoint_gone(&slow, first).await.unwrap());
    assert_eq!(line.paused().await, None);
    assert!(store.delivered(&again, second, 204).await.unwrap());
    assert!(!store.delivered(&again, second, 204).await.unwrap());
    line.later(5);
    line.catch_up().await;
    assert_eq!(line.receiver.told().len(), 0, "it was taken");
}

#[tokio::test]
async fn what_a_day_brings_is_told_when_it_comes_and_once() {
    let line = Line::about(&[
        EventType::ClampFitnessEnded,
        EventType::InspectionOverdue,
        EventType::ClampTaggedOut,
    ])
    .await;
    let world = &line.desk.world;
    let clamp = world.in_service("17").await;
    let retired = world.in_service("18").await;
    world.does(LEAD, retired, scrapped()).await;
    let store = &world.bench.store;
    let until = store.clamp_now(clamp, &YardScope::All).await.unwrap().unwrap();
    let until = until.standing(store.now()).fit_until.unwrap();
    while store.now() < until - SignedDuration::from_hours(8) {
        line.catch_up().await;
        line.later(6 * 60);
    }
    assert_eq!(line.types(), []);
    // The worker is away for three days: it is told late, of the instant at which it was so.
    line.later(3 * 24 * 60);
    for _ in 0..5 {
        line.catch_up().await;
        line.later(60);
    }
    assert_eq!(
        line.types(),
        [EventType::ClampFitnessEnded, EventType::InspectionOverdue]
    );
    assert!(
        line.told()
            .iter()
            .all(|event| event.at == until && event.entry.is_none())
    );
    // Used while overdue: it stays overdue, and nobody is told again.
    line.tags_out(clamp).await;
    line.catch_up().await;
    assert_eq!(line.types()[2..], [EventType::ClampTaggedOut]);
    assert_eq!(line.receiver.told().len(), 3);
}

#[tokio::test]
async fn the_day_of_a_defect_is_told_once_by_its_own_id_whenever_it_is_read() {
    let line = Line::about(&[EventType::ClampTaggedOut, EventType::ClampFitnessEnded]).await;
    let world = &line.desk.world;
    let yard = YardId::new(world.uuid());
    let body: Yard = serde_json::from_value(serde_json::json!({
        "code": "BRI", "name": "British yard", "time_zone": "Europe/London", "rule_set": "gb-loler"
    }))
    .unwrap();
    let store = &world.bench.store;
    store
        .create_yard(world.uuid(), ADMINISTRATOR, yard, &body)
        .await
        .unwrap();
    let rejected = |by: &str| {
        let mut body = rejection("shackle_eye_worn");
        let finding = body
            .findings
            .iter_mut()
            .find(|finding| finding.criterion == "shackle_eye_worn");
        let finding = finding.unwrap();
        finding.grade = Some(Grade::DangerBy);
        finding.by_date = Some(by.parse().unwrap());
        body
    };
    let mut lockouts = Vec::new();
    for (number, by) in [("17", "2026-03-10"), ("18", "2026-03-12")] {
        let clamp = ClampId::new(world.uuid());
        let mut registered = registration(number);
        registered.yard_id = yard;
        world.does(LEAD, clamp, registered).await;
        let found = world.does(LEAD, clamp, rejected(by)).await;
        let opened = found.outcome.unwrap().opened;
        lockouts.push(
            opened
                .iter()
                .find(|lockout| lockout.bars_from > store.now())
                .unwrap()
                .id,
        );
    }
    // Read at once and told on its day; the other one is read only days after its day.
    line.catch_up().await;
    world.bench.clock.set("2026-03-11T00:00:30Z");
    line.catch_up().await;
    line.catch_up().await;
    let told = |line: &Line| -> Vec<Uuid> {
        let events = line
            .told()
            .into_iter()
            .filter(|event| event.kind == EventType::ClampTaggedOut);
        events.map(|event| event.id).collect()
    };
    let id = |lockout: LockoutId| event_id(barring_id(lockout), EventType::ClampTaggedOut);
    assert_eq!(told(&line), [id(lockouts[0])]);
    world.bench.clock.set("2026-03-20T08:00:00Z");
    line.catch_up().await;
    assert_eq!(told(&line), [id(lockouts[0]), id(lockouts[1])]);
    // An endpoint that reads all of it only now comes to the same ids.
    let from = "update webhook_endpoint set position = 0, moment = '2026-03-02T08:00:00Z'";
    let mut owner = world.bench.owner().await;
    sqlx::query(from).execute(&mut owner).await.unwrap();
    line.catch_up().await;
    assert_eq!(told(&line).len(), 2);
    let received = line.receiver.told();
    assert_eq!(received.len(), line.told().len(), "nothing came twice");
}

#[tokio::test]
async fn two_secrets_sign_until_the_old_one_ends() {
    let line = Line::about(&[EventType::ClampTaggedOut]).await;
    let world = &line.desk.world;
    let store = &world.bench.store;
    let clamp = world.in_service("17").await;
    let keys = |byte: u8| NewKeys {
        id: Uuid::from_u128(u128::from(byte)),
        bytes: [byte; 64],
    };
    let secret = |byte: u8| WebhookKeys::new(&[byte; 64]).unwrap().secret();
    let in_a_day = store.now() + SignedDuration::from_hours(24);
    store
        .rotate_webhook_secret(ADMINISTRATOR, line.endpoint, &keys(9), in_a_day)
        .await
        .unwrap();
    let third = store
        .rotate_webhook_secret(ADMINISTRATOR, line.endpoint, &keys(10), in_a_day)
        .await;
    assert!(matches!(third, Err(WebhookError::SecretsFull)));
    line.tags_out(clamp).await;
    line.catch_up().await;
    let told = line.receiver.told().pop().unwrap();
    for byte in [7, 9] {
        assert!(is_signed(&told, &secret(byte), store.now()), "{byte}");
    }
    line.later(25 * 60);
    line.tags_out(clamp).await;
    line.catch_up().await;
    let told = line.receiver.told().pop().unwrap();
    assert!(!is_signed(&told, &secret(7), store.now()));
    assert!(is_signed(&told, &secret(9), store.now()));
    // One that was given away ends at once.
    store
        .rotate_webhook_secret(ADMINISTRATOR, line.endpoint, &keys(11), store.now())
        .await
        .unwrap();
    line.tags_out(clamp).await;
    line.catch_up().await;
    let told = line.receiver.told().pop().unwrap();
    assert!(!is_signed(&told, &secret(9), store.now()));
    assert!(is_signed(&told, &secret(11), store.now()));
    assert_eq!(store.webhook_secrets(line.endpoint).await.unwrap().len(), 1);
}

#[tokio::test]
async fn what_was_told_can_be_told_again_and_an_endpoint_tried_out_also_while_it_is_paused() {
    let line = Line::about(&[EventType::ClampTaggedOut]).await;
    let world = &line.desk.world;
    let store = &world.bench.store;
    let clamp = world.in_service("17").await;
    let mut outs = Vec::new();
    for _ in 0..5 {
        line.later(60);
        outs.push((line.tags_out(clamp).await.id.uuid(), store.now()));
    }
    line.catch_up().await;
    let again = store
        .redeliver_events(line.endpoint, outs[1].1, outs[3].1)
        .await
        .unwrap();
    assert_eq!(again, 2);
    line.catch_up().await;
    let told: Vec<Uuid> = line.receiver.told()[5..]
        .iter()
        .filter_map(|told| Event::of(told).entry)
        .collect();
    assert_eq!(told, [outs[1].0, outs[2].0]);
    assert!(matches!(
        store.redeliver_event(line.endpoint, world.uuid()).await,
        Err(WebhookError::NotFound)
    ));

    line.receiver.behave(|_| Reply::Status(410));
    line.tags_out(clamp).await;
    line.catch_up().await;
    assert_eq!(line.paused().await, Some(PausedBecause::Gone));
    let before = line.receiver.told().len();
    let (bad, good) = (world.uuid(), world.uuid());
    store.test_webhook_endpoint(line.endpoint, bad).await.unwrap();
    line.catch_up().await;
    line.receiver.behave(|_| Reply::Takes);
    store.test_webhook_endpoint(line.endpoint, good).await.unwrap();
    line.catch_up().await;
    assert_eq!(line.receiver.told().len(), before + 2, "each is tried once");
    let states = line.states().await;
    assert_eq!(states[&bad].0, DeliveryState::GivenUp);
    assert_eq!(states[&good].0, DeliveryState::Delivered);
    let test = line.receiver.told().pop().unwrap();
    assert!(test.body.contains("webhook.test"), "{}", test.body);
    // After a month nothing of it is kept.
    line.desk.later(KEPT_FOR + SignedDuration::from_hours(1));
    line.catch_up().await;
    let kept = line.states().await;
    assert!(
        kept.values().all(|(state, _)| *state == DeliveryState::Waiting),
        "{kept:?}"
    );
    store
        .remove_webhook_endpoint(ADMINISTRATOR, line.endpoint)
        .await
        .unwrap();
    line.tags_out(clamp).await;
    line.catch_up().await;
    assert_eq!(line.receiver.told().len(), before + 2);
    assert!(matches!(
        store.remove_webhook_endpoint(ADMINISTRATOR, line.endpoint).await,
        Err(WebhookError::NotFound)
    ));
}

#[tokio::test]
async fn a_bulletin_and_the_clamps_that_it_holds_are_told() {
    let line = Line::about(&[EventType::BulletinOpened, EventType::ClampTaggedOut]).await;
    let world = &line.desk.world;
    for number in ["21", "22", "31"] {
        world.in_service(number).await;
    }
    let id = BulletinId::new(world.uuid());
    let store = &world.bench.store;
    store
        .open_bulletin(world.uuid(), LEAD, id, &about(MODEL, &["21", "22"]))
        .await
        .unwrap();
    while line.worker.hold().await.unwrap() {}
    line.catch_up().await;
    let told = line.told();
    assert_eq!(
        (told[0].kind, told[0].clamp),
        (EventType::BulletinOpened, id.uuid())
    );
    let held: BTreeSet<Uuid> = told[1..].iter().map(|event| event.clamp).collect();
    assert_eq!((told.len(), held.len()), (3, 2));
}

#[tokio::test]
async fn four_workers_tell_each_event_once_and_in_order() {
    let line = Line::about(&[EventType::ClampChanged]).await;
    let world = &line.desk.world;
    let mut clamps = Vec::new();
    for number in 0..8 {
        clamps.push(world.in_service(&number.to_string()).await);
    }
    let mut entries: BTreeMap<Uuid, Vec<Uuid>> = BTreeMap::new();
    for round in 0..80 {
        let clamp = clamps[round % clamps.len()];
        let out = line.tags_out(clamp).await.id.uuid();
        entries.entry(clamp.uuid()).or_default().push(out);
    }
    let address = SocketAddr::from(([127, 0, 0, 1], line.receiver.port));
    let workers: Vec<Worker> = (0..4)
        .map(|_| worker(&line.desk, Some(line.receiver.authority.clone()), always(address)))
        .collect();
    let all = workers.iter().map(|worker| async move {
        let mut idle = 0;
        while idle < 20 {
            let reads = worker.read_on().await.unwrap();
            let delivers = worker.deliver_one().await.unwrap();
            idle = if reads || delivers { 0 } else { idle + 1 };
            if idle > 0 {
                tokio::time::sleep(Duration::from_millis(10)).await;
            }
        }
    });
    futures_util::future::join_all(all).await;
    let told = line.receiver.told();
    assert_eq!(told.len(), 80 + 16);
    let mut heard: BTreeMap<Uuid, Vec<Uuid>> = BTreeMap::new();
    for event in told.iter().map(Event::of) {
        heard.entry(event.clamp).or_default().extend(event.entry);
    }
    for (clamp, entries) in entries {
        assert_eq!(heard[&clamp][2..], entries);
    }
}

/// What a program keeps that reads each clamp it is told of: in which column of the report it counts, and where.
#[derive(Default)]
struct Kept {
    clamps: BTreeMap<Uuid, (Vec<YardId>, OutKind)>,
    heard: usize,
}

impl Kept {
    /// Takes up what the program was told since the last time.
    async fn read(&mut self, line: &Line) {
        let told = line.receiver.told();
        let store = &line.desk.world.bench.store;
        for event in told[self.heard..].iter().map(Event::of) {
            let id = ClampId::new(event.clamp);
            let clamp = store.clamp_now(id, &YardScope::All).await.unwrap().unwrap();
            match out_period::kind(&clamp.standing(store.now())) {
                Some(kind) => {
                    let yards = clamp.state.yards();
                    self.clamps.insert(event.clamp, (yards, kind));
                }
                None => {
                    self.clamps.remove(&event.clamp);
                }
            }
        }
        self.heard = told.len();
    }
    fn counts(&self) -> BTreeMap<(YardId, OutKind), u64> {
        let mut counts = BTreeMap::new();
        for (yards, kind) in self.clamps.values() {
            for yard in yards {
                *counts.entry((*yard, *kind)).or_default() += 1;
            }
        }
        counts
    }
}

async fn report(line: &Line) -> BTreeMap<(YardId, OutKind), u64> {
    let store = &line.desk.world.bench.store;
    let report = store
        .out_of_service(&YardScope::All, &[GroupBy::Yard], None)
        .await
        .unwrap();
    let mut counts = BTreeMap::new();
    for group in report.groups {
        let yard = group.yard.unwrap();
        for (kind, clamps) in [
            (OutKind::TaggedOut, group.counts.tagged_out),
            (OutKind::Overdue, group.counts.overdue),
            (
                OutKind::AwaitingInitialInspection,
                group.counts.awaiting_initial_inspection,
            ),
            (OutKind::NotFit, group.counts.not_fit),
        ] {
            if clamps > 0 {
                counts.insert((yard, kind), clamps);
            }
        }
    }
    counts
}

/// Goal: whoever keeps what they read has the report's numbers on each day, though days alone make clamps overdue, and the
/// program is away for three days at a time and takes some events only at the second attempt. Method: 120 days of inspections,
/// tag-outs, transfers and scrapping in no particular order; what is kept is worked out from each clamp's state, not from the
/// periods that the report counts.
#[tokio::test]
async fn counts_kept_from_events_are_those_of_the_report_on_each_day() {
    let line = Line::about(&[EventType::ClampChanged]).await;
    let world = &line.desk.world;
    let mut clamps = Vec::new();
    for number in 0..14 {
        let clamp = ClampId::new(world.uuid());
        let placed = world
            .does(LEAD, clamp, registration(&number.to_string()))
            .await
            .id;
        if number % 4 > 0 {
            world.does(LEAD, clamp, inspection(InspectionKind::Initial)).await;
        }
        clamps.push((clamp, NORTH, placed));
    }
    let mut kept = Kept::default();
    let (mut overdue, mut compared) = (0, 0);
    let mut random = 7_usize;
    let mut next = |below: usize| {
        random = random
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (random >> 33) % below
    };
    for day in 0..120 {
        let is_away = day % 12 < 3 && day > 6;
        let flaky = Arc::new(AtomicUsize::new(0));
        line.receiver
            .behave(move |_| match flaky.fetch_add(1, Ordering::Relaxed) % 5 {
                _ if is_away => Reply::Status(503),
                1 => Reply::BreaksOff,
                3 => Reply::Status(500),
                _ => Reply::Takes,
            });
        if day == 30 || day == 70 {
            // From a later day on inspections are due earlier, and later than that as before: clamps become fit by that alone.
            let yard = world
                .bench
                .store
                .yard(&YardScope::All, NORTH)
                .await
                .unwrap()
                .unwrap();
            let mut body = yard.body;
            body.intervals = serde_json::from_value(match day {
                30 => serde_json::json!({"frequent": {"normal": "P10D"}}),
                _ => serde_json::json!({}),
            })
            .unwrap();
            let starts_on = world.bench.store.now().to_zoned(TimeZone::UTC).date() + 5.days();
            let change = YardChange {
                expected: yard.version,
                starts_on,
                reason: Some("heavy season"),
                body: &body,
            };
            let store = &world.bench.store;
            store
                .change_yard(world.uuid(), ADMINISTRATOR, NORTH, &change)
                .await
                .unwrap();
            while store.reassess_pending(100).await.unwrap() > 0 {}
        }
        for _ in 0..next(3) {
            let place = next(clamps.len());
            let (clamp, yard, placed) = clamps[place];
            match next(8) {
                0 => drop(world.does(LEAD, clamp, tag_out(LockoutReason::Precaution)).await),
                1 if clamps.len() > 8 => {
                    world.does(LEAD, clamp, scrapped()).await;
                    clamps.remove(place);
                }
                2 => {
                    let to = if yard == NORTH { SOUTH } else { NORTH };
                    let moved = world.does(LEAD, clamp, transfer(to, placed)).await.id;
                    clamps[place] = (clamp, to, moved);
                }
                3 => drop(
                    world
                        .does(LEAD, clamp, inspection(InspectionKind::Frequent))
                        .await,
                ),
                4 => drop(world.does(LEAD, clamp, inspection(InspectionKind::Initial)).await),
                _ => {}
            }
            line.later(7);
        }
        for hour in [7, 14, 21] {
            line.later(7 * 60);
            if hour == 21 && !is_away {
                line.receiver.behave(|_| Reply::Takes);
            }
            line.catch_up().await;
        }
        kept.read(&line).await;
        let expected = report(&line).await;
        overdue += expected
            .keys()
            .filter(|(_, kind)| *kind == OutKind::Overdue)
            .count();
        if !is_away {
            compared += 1;
            assert_eq!(kept.counts(), expected, "day {day}");
        }
    }
    assert!(overdue > 20 && compared > 80, "{overdue} {compared}");
}
