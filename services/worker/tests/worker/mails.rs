//! Who is told of what, once, and how it reads.

use crate::desk::{Desk, NORTH_LEAD, SAFETY, worker};
use crate::support::world::*;
use clampward_domain::entry::Transferred;
use clampward_domain::ids::{ClampId, PersonId, YardId, lockout_id};
use clampward_domain::reference::{Yard, YardScope};
use clampward_domain::words::{Component, Grade, LockoutReason, Role};
use clampward_store::Mode;
use clampward_store::notices::NoticeFilter;
use jiff::SignedDuration;
use std::collections::BTreeMap;

fn hours(hours: i64) -> SignedDuration {
    SignedDuration::from_hours(hours)
}

#[tokio::test]
async fn a_tag_out_is_told_once_to_those_who_answer_for_its_yard() {
    let desk = Desk::open().await;
    let clamp = desk.clamp("17").await;
    desk.world
        .does(OPERATOR, clamp, tag_out(LockoutReason::Dropped))
        .await;
    desk.catch_up().await;
    desk.catch_up().await;
    // The lead of the world leads every yard.
    let counts = desk.counts();
    assert_eq!(
        counts,
        BTreeMap::from([("lead".to_owned(), 1), ("northlead".to_owned(), 1)])
    );
    let mail = desk.caught()["northlead"][0].clone();
    assert_eq!(mail.subject(), "HM-17: tagged out: dropped");
    let text = mail.text();
    for expected in [
        "HM-17",
        "dropped",
        "serial 17",
        "Ostvik Klammer OK 3",
        "by Operator",
        "Halvorsund NOR",
        "America/New_York",
    ] {
        assert!(text.contains(expected), "{expected} in {text}");
        assert!(mail.html().contains(expected), "{expected} in {}", mail.html());
    }
    assert!(
        text.contains("What to do:") && text.contains("competent person"),
        "{text}"
    );
    assert!(!text.contains("late"), "{text}");
    assert_eq!(mail.header("Auto-Submitted").as_deref(), Some("auto-generated"));
    assert!(
        !mail.html().contains("<img") && !mail.html().contains("<script"),
        "{}",
        mail.html()
    );

    // A second tag-out is a second notice.
    desk.world
        .does(OPERATOR, clamp, tag_out(LockoutReason::Precaution))
        .await;
    desk.catch_up().await;
    assert_eq!(desk.counts()["northlead"], 2);
}

#[tokio::test]
async fn many_at_once_come_in_one_mail_and_each_is_in_it() {
    let desk = Desk::open().await;
    let mut marks = Vec::new();
    for number in 1..=20 {
        let clamp = desk.clamp(&number.to_string()).await;
        desk.world
            .does(OPERATOR, clamp, tag_out(LockoutReason::Dropped))
            .await;
        marks.push(format!("- HM-{number} ["));
    }
    desk.catch_up().await;
    let mails = desk.caught();
    assert_eq!(mails["northlead"].len(), 1);
    let text = mails["northlead"][0].text();
    assert_eq!(
        mails["northlead"][0].subject(),
        "HM-1 and 19 more notices: tagged out"
    );
    for mark in marks {
        assert_eq!(text.matches(&mark).count(), 1, "{mark} in {text}");
    }
}

#[tokio::test]
async fn a_return_to_service_is_told_and_ends_what_was_told_before() {
    let desk = Desk::open().await;
    let clamp = desk.clamp("17").await;
    desk.later(hours(1));
    let rejected = desk
        .world
        .does(INSPECTOR, clamp, rejection("shackle_eye_worn"))
        .await;
    let worn = lockout_id(rejected.id, "shackle_eye_worn", "");
    let repaired = desk
        .world
        .does(TECHNICIAN, clamp, repair(Component::Shackle, worn))
        .await;
    let again = lockout_id(repaired.id, "not_reinspected", "");
    desk.later(hours(1));
    let inspected = desk.world.does(INSPECTOR, clamp, after_repair(repaired.id)).await;
    desk.catch_up().await;
    desk.later(hours(1));
    let returned = return_after(repaired.id, inspected.id, worn, again);
    desk.world.does(LEAD, clamp, returned).await;
    desk.catch_up().await;
    let last = desk.caught()["northlead"].last().cloned().unwrap();
    assert_eq!(last.subject(), "HM-17: returned to service");
    assert!(last.text().contains("2 lock-outs released"), "{}", last.text());
    // Nobody above hears of what is over.
    desk.later(hours(24 * 10));
    desk.catch_up().await;
    assert!(!desk.counts().contains_key("safety"), "{:?}", desk.counts());
}

/// LOLER reg. 10: a defect that is not yet a danger has a date by which it is to be put right.
#[tokio::test]
async fn the_date_of_a_defect_is_told_before_it_comes_and_when_it_has_passed() {
    let desk = Desk::open().await;
    let yard = YardId::new(desk.world.uuid());
    let body: Yard = serde_json::from_value(serde_json::json!({
        "code": "BRI", "name": "British yard", "time_zone": "Europe/London", "rule_set": "gb-loler"
    }))
    .unwrap();
    let store = &desk.world.bench.store;
    store
        .create_yard(desk.world.uuid(), ADMINISTRATOR, yard, &body)
        .await
        .unwrap();
    let clamp = ClampId::new(desk.world.uuid());
    let mut registered = registration("17");
    registered.yard_id = yard;
    registered.declaration =
        Some(serde_json::from_value(serde_json::json!({"made_on": "2025-01-10"})).unwrap());
    desk.world.does(LEAD, clamp, registered).await;
    desk.later(hours(1));
    let mut body = rejection("shackle_eye_worn");
    let finding = body
        .findings
        .iter_mut()
        .find(|finding| finding.criterion == "shackle_eye_worn");
    let finding = finding.unwrap();
    finding.grade = Some(Grade::DangerBy);
    finding.by_date = Some("2026-03-10".parse().unwrap());
    desk.world.does(LEAD, clamp, body).await;
    // Three days ahead, with the digest of 7 March at 06:00 there, which is 06:00 UTC before the change to summer time.
    for before in [
        "2026-03-02T12:00:00Z",
        "2026-03-06T23:59:00Z",
        "2026-03-07T05:59:00Z",
    ] {
        desk.world.bench.clock.set(before);
        desk.catch_up().await;
        assert!(desk.counts().is_empty(), "{before}: {:?}", desk.counts());
    }
    desk.world.bench.clock.set("2026-03-07T06:00:00Z");
    desk.catch_up().await;
    let mail = desk.caught()["lead"][0].clone();
    assert_eq!(mail.subject(), "Morning digest of 2026-03-07: 1 notice");
    let says = "bars the clamp from 2026-03-11 00:00 (Europe/London)";
    assert!(mail.text().contains(says), "{}", mail.text());
    desk.world.bench.clock.set("2026-03-10T23:59:00Z");
    desk.catch_up().await;
    assert_eq!(desk.counts()["lead"], 1);
    desk.world.bench.clock.set("2026-03-11T00:00:10Z");
    desk.catch_up().await;
    let mail = desk.caught()["lead"][1].clone();
    assert_eq!(
        mail.subject(),
        "HM-17: date of a defect has passed: shackle eye worn"
    );
    desk.later(hours(1));
    desk.catch_up().await;
    assert_eq!(desk.counts()["lead"], 2);
}

#[tokio::test]
async fn what_nobody_acknowledges_goes_to_the_next_ones_and_what_is_acknowledged_does_not() {
    let desk = Desk::open().await;
    let acknowledged = desk.clamp("17").await;
    let forgotten = desk.clamp("18").await;
    for clamp in [acknowledged, forgotten] {
        desk.world
            .does(OPERATOR, clamp, tag_out(LockoutReason::Dropped))
            .await;
    }
    desk.catch_up().await;
    let filter = NoticeFilter {
        recipient: Some(NORTH_LEAD),
        clamp: Some(acknowledged),
        ..NoticeFilter::default()
    };
    let store = &desk.world.bench.store;
    let told = store.notices(&YardScope::All, &filter, None, 10).await.unwrap();
    assert_eq!(told.len(), 1);
    assert!(told[0].mailed_at.is_some() && told[0].acknowledged_at.is_none());
    // Nobody acknowledges another's.
    assert_eq!(
        store.acknowledge_notice(OPERATOR, told[0].id).await.unwrap(),
        None
    );
    let seen = store
        .acknowledge_notice(NORTH_LEAD, told[0].id)
        .await
        .unwrap()
        .unwrap();
    assert_eq!(seen.acknowledged_by, Some(NORTH_LEAD));
    desk.later(hours(24));
    desk.catch_up().await;
    assert!(!desk.counts().contains_key("safety"));
    desk.later(hours(25));
    desk.catch_up().await;
    let safety = desk.caught()["safety"].clone();
    assert_eq!(safety.len(), 1);
    let text = safety[0].text();
    assert!(text.contains("HM-18") && !text.contains("HM-17"), "{text}");
    assert!(text.contains("Nobody has said yet"), "{text}");
    // Then to whoever runs the service, and no further.
    desk.later(hours(24 * 6));
    desk.catch_up().await;
    desk.later(hours(24 * 30));
    desk.catch_up().await;
    assert_eq!(desk.counts()["admin"], 1);
}

/// Goal: a step of the same people is none. The lead of the world leads every yard and is the only one of the safety team.
#[tokio::test]
async fn whoever_was_told_already_does_not_stand_for_the_next_step() {
    let desk = Desk::open().await;
    for person in [NORTH_LEAD, SAFETY] {
        desk.close(person).await;
    }
    let clamp = desk.clamp("17").await;
    desk.world
        .does(OPERATOR, clamp, tag_out(LockoutReason::Dropped))
        .await;
    desk.catch_up().await;
    assert_eq!(desk.counts(), BTreeMap::from([("lead".to_owned(), 1)]));
    desk.later(hours(49));
    desk.catch_up().await;
    assert_eq!(desk.counts()["lead"], 1);
    assert_eq!(desk.counts()["admin"], 1);
}

/// Goal: in each yard somebody hears of it, however often another yard was told.
#[tokio::test]
async fn a_clamp_whose_place_is_in_doubt_is_told_of_in_each_of_its_yards_and_above() {
    let desk = Desk::open().await;
    for person in [LEAD, SAFETY] {
        desk.close(person).await;
    }
    for (number, name, yard) in [(0xc31, "SafetyNorth", NORTH), (0xc32, "SafetySouth", SOUTH)] {
        let person = PersonId::new(uuid::Uuid::from_u128(number));
        let yards = YardScope::Some(vec![yard]);
        desk.world.account(person, name, &[Role::Safety], yards).await;
    }
    let clamp = desk.clamp("17").await;
    let moved = Transferred {
        to_yard: SOUTH,
        // It stands beside the registration, which it does not name.
        replaces: Some(desk.world.uuid().into()),
        note: None,
    };
    let moved = desk.world.entry(clamp, LEAD, moved);
    desk.world.record(Mode::Record, moved).await.unwrap();
    for _ in 0..40 {
        desk.later(hours(24));
        desk.catch_up().await;
    }
    let told = |name: &str| -> String {
        let mails = desk.caught();
        mails
            .get(name)
            .into_iter()
            .flatten()
            .map(|mail| mail.text())
            .collect()
    };
    for name in ["northlead", "southlead", "safetynorth", "safetysouth"] {
        assert!(
            told(name).contains("frequent inspection was due"),
            "{name}: {:?}",
            desk.counts()
        );
    }
}

#[tokio::test]
async fn three_workers_tell_everything_once() {
    let desk = Desk::open().await;
    let mut clamps = Vec::new();
    for number in 1..=60 {
        clamps.push(desk.clamp(&number.to_string()).await);
    }
    for clamp in &clamps {
        desk.world
            .does(OPERATOR, *clamp, tag_out(LockoutReason::Dropped))
            .await;
    }
    let others = [
        worker(&desk.world, desk.catcher.port),
        worker(&desk.world, desk.catcher.port),
    ];
    let work = |worker: &'static clampward_worker::Worker| async move {
        for _ in 0..5 {
            worker.raise().await.unwrap();
            while worker.send_one().await.unwrap() {}
        }
    };
    let [a, b] = others.map(|worker| &*Box::leak(Box::new(worker)));
    let own = async { desk.catch_up().await };
    tokio::join!(own, work(a), work(b));
    desk.catch_up().await;
    for name in ["lead", "northlead"] {
        let told: String = desk.caught()[name].iter().map(|mail| mail.text()).collect();
        for number in 1..=60 {
            assert_eq!(
                told.matches(&format!("- HM-{number} [")).count(),
                1,
                "{name}, {number}"
            );
        }
    }
}

#[tokio::test]
async fn a_mark_or_name_with_line_breaks_or_markup_stays_text() {
    use clampward_domain::notice::{About, NoticeForm, NoticeKind};
    use clampward_store::notices::{Mail, MailNotice};
    let desk = Desk::open().await;
    let now = desk.world.bench.store.now();
    let about = About {
        asset_mark: Some("HM-1\r\nBcc: everybody@example.test".to_owned()),
        what: Some("<script>alert(1)</script>".to_owned()),
        ..About::default()
    };
    let mail = Mail {
        id: desk.world.uuid(),
        recipient: NORTH_LEAD,
        name: "North\r\nBcc: everybody@example.test".to_owned(),
        address: "northlead@example.test".to_owned(),
        is_open: true,
        made_at: now,
        attempt: 1,
        notices: vec![MailNotice {
            id: desk.world.uuid(),
            kind: NoticeKind::TaggedOut,
            form: NoticeForm::AtOnce,
            level: 0,
            clamp: None,
            yard: None,
            about,
            since: now,
            leaves_at: now,
            is_over: false,
        }],
    };
    let reference = desk.world.bench.store.reference().await.unwrap();
    let letter = clampward_worker::letter::write(&mail, &reference, now, None);
    assert!(!letter.subject.contains(['\r', '\n']), "{}", letter.subject);
    assert!(!letter.html.contains("<script>"), "{}", letter.html);
    let post = clampward_worker::Post::new(clampward_worker::PostOptions {
        host: "127.0.0.1".to_owned(),
        port: desk.catcher.port,
        security: clampward_worker::post::Security::None,
        authority: None,
        credentials: None,
        from: "clampward@example.test".to_owned(),
    })
    .unwrap();
    post.hand_over(&letter).await.unwrap();
    let caught = desk.catcher.mails().pop().unwrap();
    assert_eq!(caught.header("Bcc"), None, "{}", caught.message);
    assert_eq!(caught.to, "northlead@example.test");
    // An address that would begin a new line is none.
    let bad = clampward_worker::Letter {
        address: "northlead@example.test\r\nRCPT TO:<everybody@example.test>".to_owned(),
        ..letter
    };
    assert!(post.hand_over(&bad).await.unwrap_err().is_for_good);
}
