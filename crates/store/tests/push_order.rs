//! Order: histories that are pushed in any order, in batches of any size, from several devices come to the same states,
//! field for field, as the same histories pushed in order.
//!
//! Method: the same company twice, with the same ids. One gets every clamp's entries as they happened; the other gets all
//! entries of all clamps shuffled, cut into random batches, some of them twice. What arrives before its clamp is held and
//! recorded by itself. States and lock-outs, closed ones among them, are compared, and both databases verified.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

mod support;

use clampward_domain::entry::{Amended, Body, Classified, JudgedBy, Used};
use clampward_domain::ids::{ClampId, EntryId, LockoutId, PersonId, YardId, lockout_id};
use clampward_domain::reference::YardScope;
use clampward_domain::words::{
    AmendmentField, Component, InspectionKind, LockoutReason, RuleSetName, ServiceClass,
};
use clampward_store::sync::push::BecameWhat;
use jiff::SignedDuration;
use support::tablet::{Line, Tablet};
use support::world::*;

const CLAMPS: usize = 300;
const DEVICES: usize = 3;

/// xorshift64 (Marsaglia 2003): the same numbers in every run.
struct Random(u64);

impl Random {
    fn below(&mut self, most: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        usize::try_from(self.0 % u64::try_from(most).unwrap()).unwrap()
    }
    fn shuffle<T>(&mut self, items: &mut [T]) {
        for index in (1..items.len()).rev() {
            let other = self.below(index + 1);
            items.swap(index, other);
        }
    }
}

async fn company() -> (World, Vec<Tablet>) {
    let world = World::new().await;
    let mut tablets = Vec::new();
    for device in 0..DEVICES {
        let yards = YardScope::Some(vec![NORTH, SOUTH]);
        tablets.push(Tablet::enrolled(&world, &format!("Tablet-{device}"), yards).await);
    }
    world.bench.clock.advance(SignedDuration::from_hours(1));
    (world, tablets)
}

/// A clamp's life as it is written down, on one device or another.
struct Life<'a> {
    world: &'a World,
    tablets: &'a [Tablet],
    clamp: ClampId,
    yard: YardId,
    placed: EntryId,
    classed: EntryId,
    lockouts: Vec<LockoutId>,
    written: Vec<(usize, Line)>,
}

impl Life<'_> {
    fn write(&mut self, random: &mut Random, by: PersonId, body: impl Into<Body>) -> EntryId {
        let device = random.below(DEVICES);
        let mut line = self.tablets[device].writes(self.world, by, self.clamp, body);
        line.signed = random.below(8) > 0;
        line.judged_by = Some(JudgedBy {
            yard_id: self.yard,
            yard_version: 1,
            rule_set: RuleSetName::UsB3020,
            rule_set_version: 1,
            model_id: MODEL,
            model_version: 1,
        });
        let id = line.id;
        self.written.push((device, line));
        // Time goes by for all of them.
        let minutes = i64::try_from(1 + random.below(600)).unwrap();
        self.world.bench.clock.advance(SignedDuration::from_mins(minutes));
        for tablet in self.tablets {
            let milliseconds = u64::try_from(minutes * 60_000).unwrap();
            tablet
                .up
                .fetch_add(milliseconds, std::sync::atomic::Ordering::Relaxed);
        }
        id
    }

    fn happens(&mut self, random: &mut Random) {
        match random.below(12) {
            0 | 1 => {
                self.write(random, INSPECTOR, inspection(InspectionKind::Frequent));
            }
            2 => {
                self.write(random, INSPECTOR, inspection(InspectionKind::Periodic));
            }
            3 | 4 => {
                let id = self.write(random, INSPECTOR, rejection("pin_bent"));
                self.lockouts.push(lockout_id(id, "pin_bent", ""));
            }
            5 => {
                let id = self.write(random, OPERATOR, tag_out(LockoutReason::Dropped));
                self.lockouts.push(lockout_id(id, "dropped", ""));
            }
            6 | 7 => {
                let Some(lockout) = self.lockouts.pop() else {
                    return;
                };
                let repaired = self.write(random, TECHNICIAN, repair(Component::Pins, lockout));
                let again = lockout_id(repaired, "not_reinspected", "");
                let inspected = self.write(random, INSPECTOR, after_repair(repaired));
                let by = if random.below(2) == 0 { LEAD } else { INSPECTOR };
                self.write(random, by, return_after(repaired, inspected, lockout, again));
            }
            8 => {
                let to = if self.yard == NORTH { SOUTH } else { NORTH };
                let by = if random.below(3) == 0 { OPERATOR } else { LEAD };
                self.placed = self.write(random, by, transfer(to, self.placed));
                self.yard = to;
            }
            9 => {
                let class =
                    [ServiceClass::Normal, ServiceClass::Heavy, ServiceClass::Severe][random.below(3)];
                let replaces = (random.below(2) == 0).then_some(self.classed);
                let body = Classified {
                    service_class: class,
                    replaces,
                    direction: None,
                };
                self.classed = self.write(random, LEAD, body);
            }
            10 => {
                let from = self
                    .world
                    .bench
                    .store
                    .now()
                    .checked_sub(SignedDuration::from_hours(2))
                    .unwrap();
                let used: Used =
                    serde_json::from_value(serde_json::json!({"from": from, "lifts": 7})).unwrap();
                self.write(random, OPERATOR, used);
            }
            _ => {
                let body = Amended {
                    cites: self.placed,
                    field: AmendmentField::AssetMark,
                    value: format!("HM-{}", random.below(1_000_000)).into(),
                    reason: "misread".to_owned(),
                    document: None,
                };
                self.write(random, LEAD, body);
            }
        }
    }
}

/// The lives of all clamps: the same for the same seed and company.
fn lives(world: &World, tablets: &[Tablet], random: &mut Random) -> Vec<Vec<(usize, Line)>> {
    (0..CLAMPS)
        .map(|number| {
            let mut life = Life {
                world,
                tablets,
                clamp: ClampId::new(world.uuid()),
                yard: NORTH,
                placed: EntryId::new(world.uuid()),
                classed: EntryId::new(world.uuid()),
                lockouts: Vec::new(),
                written: Vec::new(),
            };
            let registered = life.write(random, LEAD, registration(&format!("S{number}")));
            (life.placed, life.classed) = (registered, registered);
            life.write(random, INSPECTOR, inspection(InspectionKind::Initial));
            for _ in 0..2 + random.below(8) {
                life.happens(random);
            }
            life.written
        })
        .collect()
}

async fn push(world: &World, tablets: &[Tablet], lines: &[(usize, Line)]) {
    for (device, tablet) in tablets.iter().enumerate() {
        let theirs: Vec<Line> = lines
            .iter()
            .filter(|(of, _)| *of == device)
            .map(|(_, line)| line.clone())
            .collect();
        if theirs.is_empty() {
            continue;
        }
        let pushed = tablet.pushes(world, &theirs).await;
        for result in pushed.results {
            let kept = matches!(result.outcome, BecameWhat::Recorded(_) | BecameWhat::Held { .. });
            assert!(kept, "{result:?}");
        }
    }
}

async fn lockouts(world: &World) -> Vec<(uuid::Uuid, serde_json::Value)> {
    let mut owner = world.bench.owner().await;
    sqlx::query_as("select id, record from lockout order by id")
        .fetch_all(&mut owner)
        .await
        .unwrap()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn any_order_in_any_batches_from_any_devices_comes_to_the_same_states() {
    let (seen, unseen) = (company().await, company().await);
    let mut seed = Random(0x5eed_0001);
    let in_order = lives(&seen.0, &seen.1, &mut seed);
    let mut seed = Random(0x5eed_0001);
    let shuffled = lives(&unseen.0, &unseen.1, &mut seed);
    assert_eq!(seen.0.bench.store.now(), unseen.0.bench.store.now());
    let clamps: Vec<ClampId> = in_order.iter().map(|life| life[0].1.clamp_id.unwrap()).collect();

    for life in &in_order {
        for line in life {
            push(&seen.0, &seen.1, std::slice::from_ref(line)).await;
        }
    }
    let mut all: Vec<(usize, Line)> = shuffled.into_iter().flatten().collect();
    let again: Vec<(usize, Line)> = all.iter().step_by(7).cloned().collect();
    all.extend(again);
    let mut random = Random(0x5eed_0002);
    random.shuffle(&mut all);
    let mut rest = all.as_slice();
    while !rest.is_empty() {
        let (batch, later) = rest.split_at((1 + random.below(150)).min(rest.len()));
        push(&unseen.0, &unseen.1, batch).await;
        rest = later;
    }

    let mut barred = 0;
    for clamp in &clamps {
        let state = async |world: &World| {
            let now = world
                .bench
                .store
                .clamp_now(*clamp, &YardScope::All)
                .await
                .unwrap();
            now.expect("registered").state.clone()
        };
        let (one, other) = (state(&seen.0).await, state(&unseen.0).await);
        assert_eq!(one, other, "{clamp}");
        barred += usize::from(!one.open_lockouts().is_empty());
    }
    assert!(
        (CLAMPS / 10..CLAMPS).contains(&barred),
        "some are barred, some are not: {barred}"
    );
    let (one, other) = (lockouts(&seen.0).await, lockouts(&unseen.0).await);
    assert!(
        one.iter().any(|(_, record)| record.get("closed").is_some()),
        "some were closed"
    );
    assert_eq!(one, other);
    for world in [&seen.0, &unseen.0] {
        assert_eq!(world.bench.store.verify().await.unwrap().violations, vec![]);
    }
}

/// Another yard, under other rules.
const EAST: YardId = YardId::new(uuid::Uuid::from_u128(0xa3));

/// What is written about a clamp once it is registered in the north: it goes east and is inspected, repaired and returned
/// there, by east's rules or by whichever the service finds; where it never was, somebody judges by the south.
fn written_in_the_east(world: &World, tablet: &Tablet, clamp: ClampId, registered: EntryId) -> Vec<Line> {
    let east = |line: &mut Line| {
        line.judged_by = Some(JudgedBy {
            yard_id: EAST,
            yard_version: 1,
            rule_set: RuleSetName::GbLoler,
            rule_set_version: 1,
            model_id: MODEL,
            model_version: 1,
        });
    };
    let mut lines = Vec::new();
    let mut write = |body: Body, told: bool| {
        tablet.passes(world, 3_600_000);
        let mut line = tablet.writes(world, LEAD, clamp, body);
        if told {
            east(&mut line);
        }
        let id = line.id;
        lines.push(line);
        id
    };
    write(transfer(EAST, registered).into(), false);
    write(inspection(InspectionKind::Periodic).into(), true);
    write(inspection(InspectionKind::Frequent).into(), false);
    write(rejection("pin_bent").into(), true);
    lines
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_transfer_that_arrives_after_what_was_judged_behind_it_makes_no_difference() {
    let mut first: Option<clampward_domain::fold::ClampState> = None;
    for order in [[0, 1, 2, 3], [3, 2, 1, 0], [1, 0, 3, 2], [2, 3, 0, 1]] {
        let world = World::new().await;
        let east: clampward_domain::reference::Yard = serde_json::from_value(serde_json::json!({
            "code": "EAS", "name": "Halvorsund EAS", "time_zone": "Europe/London", "rule_set": "gb-loler"
        }))
        .unwrap();
        let store = &world.bench.store;
        store
            .create_yard(world.uuid(), ADMINISTRATOR, EAST, &east)
            .await
            .unwrap();
        let yards = YardScope::Some(vec![NORTH, EAST]);
        let tablet = Tablet::enrolled(&world, "Tablet-E", yards).await;
        let clamp = ClampId::new(world.uuid());
        let registered = tablet.writes(&world, LEAD, clamp, registration("17"));
        let all = written_in_the_east(&world, &tablet, clamp, registered.id);
        tablet.pushes(&world, std::slice::from_ref(&registered)).await;
        for index in order {
            tablet.pushes(&world, std::slice::from_ref(&all[index])).await;
        }
        let now = store.clamp_now(clamp, &YardScope::All).await.unwrap().unwrap();
        let state = now.state.clone();
        let periodic = state.clocks.periodic.as_ref().unwrap();
        assert_eq!(
            (periodic.entry, periodic.rule_set),
            (all[1].id, RuleSetName::GbLoler),
            "{order:?}"
        );
        assert_eq!(*first.get_or_insert_with(|| state.clone()), state, "{order:?}");
        assert_eq!(store.verify().await.unwrap().violations, vec![]);
    }
}
