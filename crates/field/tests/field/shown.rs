//! When an entry of the device's own is shown by what it pulled, and bars no longer by itself.

use crate::pulling::{PushOnly, agrees, ahead_of_the_standby};
use crate::support::service::{Service, refused};
use crate::support::{Device, houston};
use clampward_domain::entry::Received;
use clampward_domain::ids::ClampId;
use clampward_field::core::{Answer, TroubleCode};
use clampward_field::device::Named;
use clampward_field::failure::Done;
use clampward_field::journal::KeptState;
use clampward_field::session::{Asked, Question, Transport};
use clampward_wire::sync::pull::{Changes, YardChanges};
use jiff::{SignedDuration, Timestamp};

/// A service whose pulls are answered by a database that follows it and has not heard of the cursors yet.
struct Behind<'a>(&'a mut Service);

impl Transport for Behind<'_> {
    fn ask(&mut self, question: &Question, each: &mut dyn FnMut(Answer) -> Done) -> Done<Asked> {
        let Question::Changes { cursors } = question else {
            return self.0.ask(question, each);
        };
        let nothing = |yard_id, cursor: &String| YardChanges {
            yard_id,
            from: cursor.clone(),
            rows: Vec::new(),
            clamps: Vec::new(),
            reference: Vec::new(),
            next_cursor: cursor.clone(),
            more: false,
            // The third part of this service's cursors is their position.
            known_position: cursor.split('.').nth(2).unwrap().parse().unwrap(),
            known_at: Timestamp::UNIX_EPOCH,
            problem: None,
        };
        each(Answer::Changes(Changes {
            yards: cursors
                .iter()
                .map(|(yard, cursor)| nothing(*yard, cursor))
                .collect(),
            granted: self.0.granted.iter().copied().collect(),
            server_time: self.0.now,
        }))?;
        Ok(Asked::Answered)
    }
}

#[test]
fn a_page_on_which_nothing_new_is_known_shows_no_entry() {
    let (mut service, mut device, clamp, standby) = ahead_of_the_standby();
    service.restore(&standby);
    service.epoch -= 1;
    let entry = device.tag_out(Named::Clamp(clamp)).id;
    device.sync(&mut Behind(&mut service));
    let kept = device.kept()[0].clone();
    assert_eq!(kept.entry_id, entry);
    let known = clampward_field::mirror::yard_knowledge(device.database.connection()).unwrap();
    assert!(
        kept.position.unwrap() <= known[0].known_position,
        "recorded where the old history has something else"
    );
    assert_eq!(device.why_not("HMW-0042"), ["tagged_out"]);
    device.sync(&mut PushOnly(&mut service));
    assert_eq!(device.why_not("HMW-0042"), ["tagged_out"]);
    // The one that the others follow tells of the other history.
    let report = device.sync(&mut service);
    assert!(report.resynchronised && report.is_complete(), "{report:?}");
    agrees(&device, &service);
    assert_eq!(device.why_not("HMW-0042"), ["tagged_out"]);
    assert_eq!(device.ask("HMW-0042").own_entries, 0, "the mirror shows it now");
}

/// A device that has followed its yard, and a service of which the tail is lost after what it will push: what takes over
/// goes on with other rows in the same places, none of which the device's cursor can tell from those that it missed.
fn about_to_lose_the_tail() -> (Service, Device, ClampId, Service) {
    let mut service = houston();
    let clamp = *service.granted_clamps().keys().next().unwrap();
    let other = service.clamp_in_service("houston", "HMW-0043");
    let mut device = Device::enrolled();
    device.sync(&mut service);
    assert!(device.may_lift("HMW-0042"));
    let mut takes_over = service.clone();
    for _ in 0..9 {
        takes_over.write(other, "houston", "lead", Received { note: None });
    }
    (service, device, clamp, takes_over)
}

/// What was lost is noticed by a run in which nothing stands between, and is recorded once.
fn is_offered_again(device: &mut Device, service: &mut Service) {
    let report = device.sync(service);
    assert!(report.resynchronised && report.is_complete(), "{report:?}");
    assert!(device.kept().iter().all(|kept| service.times(kept.entry_id) == 1));
    agrees(device, service);
    assert_eq!(device.why_not("HMW-0042"), ["tagged_out"]);
    assert_eq!(device.ask("HMW-0042").own_entries, 0, "the mirror shows it now");
}

#[test]
fn an_own_tag_out_bars_when_a_standby_without_it_takes_over_between_its_push_and_the_pull() {
    struct FailsOver<'a> {
        before: &'a mut Service,
        after: &'a mut Service,
        pushed: bool,
    }
    impl Transport for FailsOver<'_> {
        fn ask(&mut self, question: &Question, each: &mut dyn FnMut(Answer) -> Done) -> Done<Asked> {
            if self.pushed {
                return self.after.ask(question, each);
            }
            self.pushed = matches!(question, Question::Push(_));
            self.before.ask(question, each)
        }
    }
    let (mut service, mut device, clamp, mut standby) = about_to_lose_the_tail();
    // What it does not have is not stable.
    service.stable = Some(service.head());
    let entry = device.tag_out(Named::Clamp(clamp)).id;
    let report = device.sync(&mut FailsOver {
        before: &mut service,
        after: &mut standby,
        pushed: false,
    });
    assert!(report.is_complete() && !report.resynchronised, "{report:?}");
    assert_eq!((service.times(entry), standby.times(entry)), (1, 0));
    let known = clampward_field::mirror::yard_knowledge(device.database.connection()).unwrap();
    assert!(known[0].known_position >= device.kept()[0].position.unwrap());
    assert_eq!(device.why_not("HMW-0042"), ["tagged_out"]);
    is_offered_again(&mut device, &mut standby);
}

#[test]
fn an_own_tag_out_bars_while_the_service_does_not_say_whether_it_still_has_it() {
    struct NoReceipts<'a>(&'a mut Service);
    impl Transport for NoReceipts<'_> {
        fn ask(&mut self, question: &Question, each: &mut dyn FnMut(Answer) -> Done) -> Done<Asked> {
            if matches!(question, Question::Receipts { .. }) {
                each(refused(503, "overloaded", "Too much is under way at once."))?;
                return Ok(Asked::Answered);
            }
            self.0.ask(question, each)
        }
    }
    let (mut service, mut device, clamp, mut restored) = about_to_lose_the_tail();
    device.tag_out(Named::Clamp(clamp));
    device.sync(&mut PushOnly(&mut service));
    assert_eq!(device.unsent(), 0);
    // A backup from before was put back, and nobody began a new epoch.
    let report = device.sync(&mut NoReceipts(&mut restored));
    assert_eq!(report.troubles.len(), 1, "{report:?}");
    assert_eq!(report.troubles[0].code, TroubleCode::NotReached);
    assert_eq!(report.rows, 9, "it was pulled all the same");
    assert_eq!(device.why_not("HMW-0042"), ["tagged_out"]);
    is_offered_again(&mut device, &mut restored);
    // What is shown once does not bar again because nobody says so anew; but nothing is dropped on an old word.
    device.clock.pass(SignedDuration::from_hours(24 * 15));
    restored.now += SignedDuration::from_hours(24 * 15);
    device.sync(&mut NoReceipts(&mut restored));
    assert_eq!(device.ask("HMW-0042").own_entries, 0);
    assert_eq!(device.kept().len(), 1);
    device.sync(&mut restored);
    assert_eq!(device.kept().len(), 0);
}

#[test]
fn what_was_acknowledged_under_an_earlier_number_is_asked_for_and_offered_again() {
    let (mut service, mut device, clamp, mut restored) = about_to_lose_the_tail();
    for _ in 0..5 {
        device.tag_out(Named::Clamp(clamp));
    }
    // Recorded under number 1, and a copy of the device is noticed: it goes on under number 7.
    service.fork = Some(7);
    let report = device.sync(&mut PushOnly(&mut service));
    assert_eq!((report.recorded, report.device_number), (5, Some(7)));
    device.clock.pass(SignedDuration::from_hours(24 * 20));
    restored.now += SignedDuration::from_hours(24 * 20);
    let report = device.sync(&mut restored);
    assert!(report.resynchronised && report.is_complete(), "{report:?}");
    assert_eq!(device.kept().len(), 5, "old, and acknowledged anew today");
    assert!(
        device
            .kept()
            .iter()
            .all(|kept| restored.times(kept.entry_id) == 1)
    );
    let why = device.why_not("HMW-0042");
    assert_eq!(
        why.iter().filter(|code| *code == "tagged_out").count(),
        5,
        "{why:?}"
    );
    // At rest, one question for each number.
    let before = restored.asked.len();
    assert!(!device.sync(&mut restored).resynchronised);
    assert_eq!(
        restored.asked[before..],
        ["config", "receipts", "receipts", "changes"]
    );
}

#[test]
fn a_standby_that_lags_lets_an_entry_bar_until_its_row_comes_or_it_is_stable() {
    let (mut service, mut device, clamp, _) = about_to_lose_the_tail();
    service.stable = Some(service.head());
    device.tag_out(Named::Clamp(clamp));
    device.sync(&mut service);
    assert_eq!(device.ask("HMW-0042").own_entries, 0, "its row came");
    // A whole yard comes without rows.
    device.tag_out(Named::Clamp(clamp));
    device.sync(&mut PushOnly(&mut service));
    service.floor = service.head();
    device.sync(&mut service);
    assert_eq!(
        device.ask("HMW-0042").own_entries,
        2,
        "everything was offered again"
    );
    service.stable = None;
    device.sync(&mut service);
    assert_eq!(device.ask("HMW-0042").own_entries, 0);
}

#[test]
fn an_entry_that_a_person_dismissed_bars_until_something_is_pulled_after_the_word_and_goes_two_weeks_later() {
    let mut service = houston();
    let mut device = Device::enrolled();
    device.sync(&mut service);
    let entry = device.tag_out(Named::Mark("NOT-KNOWN".to_owned())).id;
    assert_eq!(device.sync(&mut service).held, 1);
    service.clamp_in_service("houston", "NOT-KNOWN");
    device.sync(&mut service);
    assert_eq!(device.why_not("NOT-KNOWN"), ["tagged_out"]);
    service.dismiss(entry);
    device.sync(&mut PushOnly(&mut service));
    assert_eq!(device.kept()[0].state, KeptState::Dismissed);
    let reasons = device.ask("NOT-KNOWN").reasons;
    assert_eq!(reasons.len(), 1, "{reasons:?}");
    assert!(reasons[0].detail.contains("dismissed"), "{reasons:?}");
    assert!(device.sync(&mut service).is_complete());
    assert!(device.may_lift("NOT-KNOWN"), "{:?}", device.why_not("NOT-KNOWN"));
    let later = |device: &mut Device, service: &mut Service, days: i64| {
        device.clock.pass(SignedDuration::from_hours(24 * days));
        service.now += SignedDuration::from_hours(24 * days);
        device.sync(service);
        device.kept().len()
    };
    assert_eq!(later(&mut device, &mut service, 13), 1);
    assert_eq!(later(&mut device, &mut service, 2), 0);
    // The service keeps it for ever, and nobody takes it for lost.
    assert!(!device.sync(&mut service).resynchronised);
    assert!(device.may_lift("NOT-KNOWN"));
}
