//! Four hundred days in five time zones, six hours at a time, against an oracle of its own.
//!
//! The oracle knows the calendar of each clamp and nothing of the code: a frequent inspection each month (ASME B30.20
//! 20-0.3.2, normal service: our table gives a month), a periodic one each year, fourteen and three days ahead by default,
//! and one chase a week. Zones and their daylight saving come from the same tz database as everywhere; which hour a gap or a
//! fold has is checked in `morning_digests_leave_at_six`, against dates of the tz database's own tables.

use crate::desk::Desk;
use crate::support::world::*;
use clampward_domain::ids::{ClampId, PersonId, YardId};
use clampward_domain::notice::NoticeForm;
use clampward_domain::notice::{NoticeKind, NoticePolicy, leaves_at};
use clampward_domain::reference::{Yard, YardScope};
use clampward_domain::words::{CompetenceKind, InspectionKind, Role};
use clampward_store::notices::{NoticeFilter, NoticeRecord};
use clampward_store::{Author, Mode, NewEntry, Recording};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp, ToSpan};
use std::collections::BTreeSet;
use uuid::Uuid;

const DAYS: i64 = 400;
const ZONES: [&str; 5] = [
    "Europe/Oslo",
    "America/St_Johns",
    "Asia/Kolkata",
    "Australia/Lord_Howe",
    "Pacific/Auckland",
];
const EXAMINER: PersonId = PersonId::new(Uuid::from_u128(0xc21));

/// A clamp with the days on which it is to be inspected; after the last of them it is forgotten.
struct Watched {
    clamp: ClampId,
    zone: TimeZone,
    inspections: Vec<(Date, InspectionKind)>,
}

/// What a lead is told: which clamp, what, about which day, how many weeks; and on which day.
type Told = (ClampId, NoticeKind, Date, u64, Date);

fn add_months(day: Date, months: i64) -> Date {
    day.checked_add(months.months()).unwrap()
}

/// What a lead is to be told of a clamp, day by day.
fn expected(watched: &Watched, last_day: Date) -> BTreeSet<Told> {
    let mut told = BTreeSet::new();
    for (index, (day, _)) in watched.inspections.iter().enumerate() {
        let until = watched.inspections.get(index + 1).map(|(next, _)| *next);
        // From this inspection to the next the frequent date stands; the periodic one from the last of that kind.
        let mut dates = vec![(*day, add_months(*day, 1))];
        let periodic = watched.inspections[..=index]
            .iter()
            .rev()
            .find(|(_, kind)| *kind != InspectionKind::Frequent)
            .unwrap();
        dates.push((*day, add_months(periodic.0, 12)));
        for (from, due) in dates {
            let mut today = from;
            // On the day of the next inspection the old date still stands in the morning.
            while today <= last_day && until.is_none_or(|until| today <= until) {
                let left = today.until((jiff::Unit::Day, due)).unwrap().get_days();
                let clamp = watched.clamp;
                match left {
                    3 | 14 => {
                        told.insert((
                            clamp,
                            NoticeKind::InspectionDueSoon,
                            due,
                            u64::from(left.unsigned_abs()),
                            today,
                        ));
                    }
                    -1 => {
                        told.insert((clamp, NoticeKind::InspectionOverdue, due, 0, today));
                    }
                    late if late < 0 && late % 7 == 0 => {
                        let weeks = u64::from((late / 7).unsigned_abs());
                        told.insert((clamp, NoticeKind::NotPresented, due, weeks, today));
                    }
                    _ => {}
                }
                today = today.tomorrow().unwrap();
            }
        }
    }
    told
}

fn told(record: &NoticeRecord, zone: &TimeZone) -> Told {
    (
        record.clamp.unwrap(),
        record.kind,
        record.about.day.unwrap(),
        record.about.count.unwrap_or(0),
        record.raised_at.to_zoned(zone.clone()).date(),
    )
}

async fn does(desk: &Desk, clamp: ClampId, body: impl Into<clampward_domain::entry::Body>) {
    let author = Author {
        person: EXAMINER,
        signed: true,
        device: None,
        yards: YardScope::All,
    };
    let entry = NewEntry {
        id: desk.world.uuid().into(),
        clamp_id: clamp,
        performed_at: desk.world.bench.store.now(),
        performed_by: EXAMINER,
        judged_by: None,
        body: body.into(),
    };
    let recording = Recording {
        author,
        mode: Mode::Refuse,
        entries: vec![entry],
    };
    let recorded = desk.world.bench.store.record(recording).await.unwrap();
    let outcome = recorded[0].outcome.clone().unwrap();
    assert_eq!(outcome.not_credited, vec![]);
}

#[tokio::test]
async fn four_hundred_days_in_five_time_zones_tell_what_the_calendar_says() {
    let desk = Desk::open().await;
    let store = &desk.world.bench.store;
    desk.world
        .account(
            EXAMINER,
            "Examiner",
            &[Role::Inspector, Role::YardLead],
            YardScope::All,
        )
        .await;
    desk.world
        .competence(EXAMINER, CompetenceKind::QualifiedPerson, 0xd21)
        .await;
    let begun: Timestamp = store.now();
    let mut watched = Vec::new();
    for (index, name) in ZONES.iter().enumerate() {
        let yard = YardId::new(desk.world.uuid());
        let body: Yard = serde_json::from_value(serde_json::json!({
            "code": format!("Z{index}"), "name": format!("Zone {index}"), "time_zone": name, "rule_set": "us-b30.20"
        }))
        .unwrap();
        store
            .create_yard(desk.world.uuid(), ADMINISTRATOR, yard, &body)
            .await
            .unwrap();
        let zone = TimeZone::get(name).unwrap();
        for number in 0..6_i64 {
            let clamp = ClampId::new(desk.world.uuid());
            let mut body = registration(&format!("{index}-{number}"));
            body.yard_id = yard;
            does(&desk, clamp, body).await;
            // The first days differ; then one is inspected in time, one too late, one at the end of a long month.
            let first = begun.to_zoned(zone.clone()).date() + (1 + number * 5).days();
            let mut inspections = vec![(first, InspectionKind::Initial)];
            let mut day = first;
            for step in 0..(number + i64::try_from(index).unwrap()) {
                day = day
                    .checked_add((20 + (step * 17 + number * 11) % 40).days())
                    .unwrap();
                let kind = if step % 4 == 3 {
                    InspectionKind::Periodic
                } else {
                    InspectionKind::Frequent
                };
                inspections.push((day, kind));
            }
            watched.push(Watched {
                clamp,
                zone: zone.clone(),
                inspections,
            });
        }
    }
    let filter = |clamp| NoticeFilter {
        recipient: Some(EXAMINER),
        clamp: Some(clamp),
        ..NoticeFilter::default()
    };
    for _ in 0..(DAYS * 4) {
        desk.worker.raise().await.unwrap();
        let now = store.now();
        for clamp in &watched {
            let local = now.to_zoned(clamp.zone.clone());
            // In the forenoon, once.
            if !(6..12).contains(&local.hour()) {
                continue;
            }
            for (day, kind) in &clamp.inspections {
                if *day == local.date() {
                    does(&desk, clamp.clamp, inspection(*kind)).await;
                }
            }
        }
        desk.later(SignedDuration::from_hours(6));
    }
    let mut compared = 0;
    for clamp in &watched {
        let mut all: Vec<NoticeRecord> = Vec::new();
        loop {
            let after = all.last().map(|last| (last.raised_at, last.id));
            let page = store
                .notices(&YardScope::All, &filter(clamp.clamp), after, 200)
                .await
                .unwrap();
            if page.is_empty() {
                break;
            }
            all.extend(page);
        }
        let found: BTreeSet<Told> = all.iter().map(|record| told(record, &clamp.zone)).collect();
        assert_eq!(found.len(), all.len(), "told twice");
        let last_day = (store.now() - SignedDuration::from_hours(6))
            .to_zoned(clamp.zone.clone())
            .date();
        let expected = expected(clamp, last_day);
        let missing: Vec<_> = expected.difference(&found).collect();
        let surplus: Vec<_> = found.difference(&expected).collect();
        assert!(
            missing.is_empty() && surplus.is_empty(),
            "{:?}: missing {missing:?}, surplus {surplus:?}",
            clamp.inspections
        );
        for record in &all {
            let leaves = record.leaves_at.to_zoned(clamp.zone.clone());
            assert_eq!((leaves.hour(), leaves.minute()), (6, 0), "{leaves}");
            assert!(record.leaves_at >= record.raised_at);
        }
        compared += all.len();
    }
    println!("{compared} notices compared");
    assert!(compared > 1000, "{compared}");
}

/// Days and hours of the tz database (2025b and later): Oslo springs forward at 02:00 on 29 March 2026 and falls back at 03:00
/// on 25 October 2026; Lord Howe moves by half an hour at 02:00 on 5 April and 4 October 2026.
#[test]
fn morning_digests_leave_at_six() {
    let yard = |zone: &str, at: &str| -> Yard {
        let policy = NoticePolicy {
            digest_at: at.parse().unwrap(),
            ..NoticePolicy::default()
        };
        let mut yard: Yard = serde_json::from_value(serde_json::json!({
            "code": "Z", "name": "Zone", "time_zone": zone, "rule_set": "us-b30.20"
        }))
        .unwrap();
        yard.notices = policy;
        yard
    };
    for (zone, at, now, expected) in [
        // Usual days on both sides of a change.
        (
            "Europe/Oslo",
            "06:00",
            "2026-03-28T12:00:00Z",
            "2026-03-29T04:00:00Z",
        ),
        (
            "Europe/Oslo",
            "06:00",
            "2026-10-24T12:00:00Z",
            "2026-10-25T05:00:00Z",
        ),
        // At the very moment, and a moment later.
        (
            "Europe/Oslo",
            "06:00",
            "2026-03-29T04:00:00Z",
            "2026-03-29T04:00:00Z",
        ),
        (
            "Europe/Oslo",
            "06:00",
            "2026-03-29T04:00:00.000001Z",
            "2026-03-30T04:00:00Z",
        ),
        // 02:30 does not exist on 29 March: an hour later. It comes twice on 25 October: the first.
        (
            "Europe/Oslo",
            "02:30",
            "2026-03-28T12:00:00Z",
            "2026-03-29T01:30:00Z",
        ),
        (
            "Europe/Oslo",
            "02:30",
            "2026-10-24T12:00:00Z",
            "2026-10-25T00:30:00Z",
        ),
        // The fold of Lord Howe: 01:45 comes twice on 5 April, first by +11.
        (
            "Australia/Lord_Howe",
            "01:45",
            "2026-04-04T00:00:00Z",
            "2026-04-04T14:45:00Z",
        ),
        // Its gap: 02:15 does not exist on 4 October, half an hour later by +11.
        (
            "Australia/Lord_Howe",
            "02:15",
            "2026-10-03T00:00:00Z",
            "2026-10-03T15:45:00Z",
        ),
        (
            "Asia/Kolkata",
            "06:00",
            "2026-03-02T01:00:00Z",
            "2026-03-03T00:30:00Z",
        ),
    ] {
        let leaves = leaves_at(NoticeForm::Digest, Some(&yard(zone, at)), now.parse().unwrap());
        assert_eq!(
            leaves,
            expected.parse::<Timestamp>().unwrap(),
            "{zone} {at} {now}"
        );
    }
}
