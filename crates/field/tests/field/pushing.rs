//! Pushing: nothing that was written is lost, nothing is recorded twice, and only a result settles an entry.

use crate::support::service::{Service, refused};
use crate::support::{Device, houston};
use clampward_domain::entry::Received;
use clampward_domain::ids::{ClampId, EntryId};
use clampward_domain::words::EntryKind;
use clampward_field::core::{Answer, TroubleCode};
use clampward_field::device::Named;
use clampward_field::failure::Done;
use clampward_field::journal::KeptState;
use clampward_field::session::{Asked, Question, Transport};
use jiff::SignedDuration;
use std::collections::BTreeSet;

fn known(service: &crate::support::service::Service) -> ClampId {
    *service.granted_clamps().keys().next().unwrap()
}

#[test]
fn what_restricts_goes_first_and_then_the_rest_in_the_order_of_writing() {
    let mut service = houston();
    service.most_entries = 2;
    let mut device = Device::enrolled();
    let clamp = Named::Clamp(known(&service));
    for _ in 0..3 {
        device.tell(clamp.clone(), "lead", Received { note: None });
    }
    device.tag_out(clamp.clone());
    let report = device.sync(&mut service);
    assert_eq!((report.recorded, report.left), (4, 0), "{report:?}");
    let kinds: Vec<String> = service
        .pushes
        .iter()
        .flat_map(|push| &push.entries)
        .map(|raw| raw["kind"].as_str().unwrap().to_owned())
        .collect();
    assert_eq!(kinds, ["tagged_out", "received", "received", "received"]);
    assert!(service.pushes.iter().all(|push| push.entries.len() <= 2));
    assert_eq!(service.pushes[0].queue_length, 4);
}

/// Loses the replies to the first pushes.
struct LosesReplies<'a> {
    service: &'a mut crate::support::service::Service,
    left: u32,
}

impl Transport for LosesReplies<'_> {
    fn ask(
        &mut self,
        question: &Question,
        each: &mut dyn FnMut(clampward_field::core::Answer) -> Done,
    ) -> Done<Asked> {
        if matches!(question, Question::Push(_)) && self.left > 0 {
            self.left -= 1;
            self.service.ask(question, &mut |_| Ok(()))?;
            return Ok(Asked::Lost);
        }
        self.service.ask(question, each)
    }
}

// sync.md row 9.
#[test]
fn the_reply_to_a_push_is_lost_three_times_and_every_entry_is_recorded_once() {
    let mut service = houston();
    let mut device = Device::enrolled();
    let clamp = Named::Clamp(known(&service));
    let entries: Vec<_> = (0..5).map(|_| device.tag_out(clamp.clone()).id).collect();
    let report = device.sync(&mut LosesReplies {
        service: &mut service,
        left: 3,
    });
    assert_eq!((report.recorded, report.left), (5, 0));
    assert!(entries.iter().all(|entry| service.times(*entry) == 1));
}

#[test]
fn without_a_result_of_its_own_an_entry_stays_unsent() {
    let mut service = houston();
    let mut device = Device::enrolled();
    device.tag_out(Named::Clamp(known(&service)));
    let report = device.sync(&mut LosesReplies {
        service: &mut service,
        left: 99,
    });
    assert_eq!(report.left, 1);
    assert_eq!(device.kept()[0].state, KeptState::Unsent);
    // Pulling does not wait for pushing.
    assert!(
        service.asked.contains(&"changes".to_owned()),
        "{:?}",
        service.asked
    );
    assert_eq!(device.sync(&mut service).left, 0);
}

#[test]
fn a_batch_that_is_not_taken_is_halved_until_the_one_entry_is_found_and_the_others_go() {
    let mut service = houston();
    let mut device = Device::enrolled();
    let clamp = Named::Clamp(known(&service));
    let entries: Vec<_> = (0..9).map(|_| device.tag_out(clamp.clone()).id).collect();
    service.poison.insert(entries[4]);
    let report = device.sync(&mut service);
    assert_eq!((report.recorded, report.left), (8, 1));
    assert_eq!(report.troubles[0].code, TroubleCode::NotTaken);
    assert!(report.troubles[0].detail.contains(&entries[4].to_string()));
    // It is kept, and goes once the service takes it.
    service.poison.clear();
    assert_eq!(device.sync(&mut service).left, 0);
    assert!(entries.iter().all(|entry| service.times(*entry) == 1));
}

// sync.md row 16.
#[test]
fn batches_of_one_less_than_the_limit_the_limit_and_one_more_end() {
    for number in [2, 3, 4] {
        let mut service = houston();
        service.most_entries = 3;
        let mut device = Device::enrolled();
        let clamp = Named::Clamp(known(&service));
        for _ in 0..number {
            device.tag_out(clamp.clone());
        }
        let report = device.sync(&mut service);
        assert_eq!((report.recorded, report.left), (number, 0));
        assert_eq!(service.pushes.len() as u64, number.div_ceil(3));
    }
}

#[test]
fn what_the_service_could_not_take_now_is_sent_again_and_stays_for_the_next_time_if_that_does_not_help() {
    let mut service = houston();
    let mut device = Device::enrolled();
    let clamp = Named::Clamp(known(&service));
    let soon = device.tag_out(clamp.clone()).id;
    let late = device.tag_out(clamp).id;
    service.retries.insert(soon, 2);
    service.retries.insert(late, 50);
    let report = device.sync(&mut service);
    assert_eq!((report.recorded, report.left), (1, 1));
    service.retries.clear();
    assert_eq!(device.sync(&mut service).left, 0);
    assert_eq!((service.times(soon), service.times(late)), (1, 1));
}

// sync.md row 6.
#[test]
fn what_was_acknowledged_and_lost_by_the_service_is_offered_again_and_the_mirror_is_taken_anew() {
    let mut service = houston();
    let mut device = Device::enrolled();
    let clamp = known(&service);
    device.sync(&mut service);
    let backup = service.clone();
    let entries: Vec<_> = (0..4).map(|_| device.tag_out(Named::Clamp(clamp)).id).collect();
    device.sync(&mut service);
    assert_eq!(device.unsent(), 0);
    service.restore(&backup);
    assert!(entries.iter().all(|entry| service.times(*entry) == 0));
    let report = device.sync(&mut service);
    assert!(report.resynchronised && report.is_complete(), "{report:?}");
    assert!(entries.iter().all(|entry| service.times(*entry) == 1));
    assert!(!device.may_lift("HMW-0042"));
    assert_eq!(service.state(clamp).open_lockouts().len(), 4);
    // At rest: nothing is offered for ever.
    assert!(!device.sync(&mut service).resynchronised);
}

#[test]
fn acknowledged_entries_are_kept_until_they_are_stable_and_two_weeks_old() {
    let mut service = houston();
    let mut device = Device::enrolled();
    let clamp = Named::Clamp(known(&service));
    device.tag_out(clamp.clone());
    service.stable = Some(0);
    device.sync(&mut service);
    let later = |device: &mut Device, service: &mut crate::support::service::Service, days: i64| {
        device.clock.pass(SignedDuration::from_hours(24 * days));
        service.now += SignedDuration::from_hours(24 * days);
        device.sync(service);
        device.kept().len()
    };
    assert_eq!(later(&mut device, &mut service, 20), 1, "old, not stable");
    device.tag_out(clamp);
    service.stable = None;
    device.clock.pass(SignedDuration::from_secs(1));
    device.sync(&mut service);
    assert_eq!(
        device.kept().len(),
        1,
        "the old one is stable and goes, the new one stays"
    );
    assert_eq!(later(&mut device, &mut service, 13), 1);
    assert_eq!(later(&mut device, &mut service, 2), 0);
    // Nothing is taken for lost because it is no longer kept.
    assert!(!device.sync(&mut service).resynchronised);
}

// sync.md row 25, and a cloned image.
#[test]
fn a_copy_of_the_device_goes_on_under_a_new_number_and_what_is_unsent_is_counted_anew() {
    let mut service = houston();
    service.most_entries = 2;
    let mut device = Device::enrolled();
    let clamp = Named::Clamp(known(&service));
    let mut entries: Vec<_> = (0..5).map(|_| device.tag_out(clamp.clone()).id).collect();
    service.fork = Some(7);
    let report = device.sync(&mut service);
    assert_eq!(report.device_number, Some(7));
    entries.push(device.tag_out(clamp).id);
    device.sync(&mut service);
    assert!(entries.iter().all(|entry| service.times(*entry) == 1));
    let counted: Vec<(u32, u64)> = device
        .kept()
        .iter()
        .map(|kept| (kept.device_number, kept.device_seq))
        .collect();
    assert_eq!(counted, [(1, 1), (1, 2), (7, 1), (7, 2), (7, 3), (7, 4)]);
    let sent: BTreeSet<(u32, u64)> = service
        .pushes
        .iter()
        .flat_map(|push| {
            push.entries
                .iter()
                .map(|raw| (push.device_number.unwrap(), raw["device_seq"].as_u64().unwrap()))
        })
        .collect();
    assert_eq!(sent, counted.into_iter().collect());
}

#[test]
fn held_and_refused_entries_are_kept_and_go_on_restricting_here() {
    let mut service = houston();
    let mut device = Device::enrolled();
    device.sync(&mut service);
    let held = device.tag_out(Named::Mark("NOT-KNOWN".to_owned()));
    assert_eq!(held.kind, EntryKind::TaggedOut);
    let report = device.sync(&mut service);
    assert_eq!((report.held, report.left), (1, 0));
    assert_eq!(device.kept()[0].state, KeptState::Held);
    // A clamp of that mark comes, and the service has not placed the entry yet.
    service.clamp_in_service("houston", "not known");
    device.sync(&mut service);
    assert_eq!(device.why_not("NOT KNOWN"), ["tagged_out"]);
}

#[test]
fn a_device_that_is_turned_away_keeps_everything_and_says_so() {
    struct Closed;
    impl Transport for Closed {
        fn ask(
            &mut self,
            _: &Question,
            each: &mut dyn FnMut(clampward_field::core::Answer) -> Done,
        ) -> Done<Asked> {
            each(crate::support::service::refused(
                401,
                "invalid-client",
                "Not known.",
            ))?;
            Ok(Asked::Answered)
        }
    }
    let mut device = Device::enrolled();
    device.tag_out(Named::Mark("HMW-0042".to_owned()));
    let report = device.sync(&mut Closed);
    assert_eq!(
        (report.left, report.troubles[0].code),
        (1, TroubleCode::NotAllowed)
    );
    assert_eq!(device.unsent(), 1);
}

#[test]
fn the_service_is_waited_for_as_long_as_it_says_or_left_for_the_next_run() {
    struct Busy<'a>(&'a mut crate::support::service::Service, u64, u32);
    impl Transport for Busy<'_> {
        fn ask(
            &mut self,
            question: &Question,
            each: &mut dyn FnMut(clampward_field::core::Answer) -> Done,
        ) -> Done<Asked> {
            if matches!(question, Question::Push(_)) && self.2 > 0 {
                self.2 -= 1;
                each(clampward_field::core::Answer::Refused(
                    clampward_field::core::Refused {
                        status: 503,
                        code: "overloaded".to_owned(),
                        detail: "Too much is under way at once.".to_owned(),
                        retry_after_seconds: Some(self.1),
                    },
                ))?;
                return Ok(Asked::Answered);
            }
            self.0.ask(question, each)
        }
    }
    for (seconds, left) in [(90, 0), (1_000, 1)] {
        let mut service = houston();
        let mut device = Device::enrolled();
        device.tag_out(Named::Clamp(known(&service)));
        let begun = device.clock.wall.get();
        let report = device.sync(&mut Busy(&mut service, seconds, 1));
        let waited = device.clock.wall.get().duration_since(begun).as_secs();
        assert_eq!(report.left, left);
        assert_eq!(waited, if left == 0 { 90 } else { 0 });
    }
}

#[test]
fn a_busy_service_that_took_a_push_is_given_the_time_it_asks_for_before_the_next_one() {
    let mut service = houston();
    service.most_entries = 2;
    service.busy_seconds = Some(7);
    let mut device = Device::enrolled();
    let clamp = Named::Clamp(known(&service));
    for _ in 0..6 {
        device.tag_out(clamp.clone());
    }
    let begun = device.clock.wall.get();
    let report = device.sync(&mut service);
    assert_eq!((report.recorded, report.left), (6, 0));
    let sent: Vec<i64> = service
        .pushes
        .iter()
        .map(|push| push.sent_at.duration_since(begun).as_secs())
        .collect();
    assert_eq!(sent, [0, 7, 7], "once, and not for what follows");
    // Nobody waits for a push that there is not.
    service.busy_seconds = Some(7);
    device.tag_out(clamp);
    let begun = device.clock.wall.get();
    assert_eq!(device.sync(&mut service).left, 0);
    assert_eq!(device.clock.wall.get(), begun);
}

/// A line on which nothing gets through that is larger.
struct Narrow<'a> {
    service: &'a mut crate::support::service::Service,
    bytes: usize,
    busy: bool,
}

impl Transport for Narrow<'_> {
    fn ask(
        &mut self,
        question: &Question,
        each: &mut dyn FnMut(clampward_field::core::Answer) -> Done,
    ) -> Done<Asked> {
        match question {
            Question::Push(push) if serde_json::to_vec(push).unwrap().len() > self.bytes => {
                if self.busy {
                    each(crate::support::service::refused(503, "overloaded", "Busy."))?;
                    return Ok(Asked::Answered);
                }
                Ok(Asked::Lost)
            }
            _ => self.service.ask(question, each),
        }
    }
}

#[test]
fn a_push_that_is_too_large_for_the_line_is_halved_and_the_next_run_remembers() {
    for busy in [false, true] {
        let mut service = houston();
        let mut device = Device::enrolled();
        let clamp = known(&service);
        device.tag_out_many((0..200).map(|_| Named::Clamp(clamp)));
        let bytes = serde_json::to_vec(&device.kept()[0].raw).unwrap().len();
        let mut runs = 0;
        while device.unsent() > 0 {
            runs += 1;
            assert!(runs <= 3, "{} are left", device.unsent());
            let mut narrow = Narrow {
                service: &mut service,
                bytes: bytes * 7,
                busy,
            };
            device.sync(&mut narrow);
            // As after the program was ended.
            device = device.reopened();
        }
        assert!(runs > 1, "what is remembered is part of this test");
        assert!(device.kept().iter().all(|kept| service.times(kept.entry_id) == 1));
        // Most of what was sent got through: a loss is followed by careful steps.
        let largest = service.pushes.iter().map(|push| push.entries.len()).max();
        assert!(largest < Some(7), "{largest:?}");
        // On a good line the batches grow again.
        device.tag_out_many((0..300).map(|_| Named::Clamp(clamp)));
        let before = service.pushes.len();
        assert_eq!(device.sync(&mut service).left, 0);
        let sizes: Vec<usize> = service.pushes[before..]
            .iter()
            .map(|push| push.entries.len())
            .collect();
        assert!(sizes.iter().max() > Some(&40) && sizes.len() < 30, "{sizes:?}");
    }
}

/// Something in between that lets no push through in which one of these is.
struct Stops<'a> {
    service: &'a mut Service,
    entries: BTreeSet<EntryId>,
    /// What it answers; nothing: the line breaks.
    answer: Option<Answer>,
}

impl Transport for Stops<'_> {
    fn ask(&mut self, question: &Question, each: &mut dyn FnMut(Answer) -> Done) -> Done<Asked> {
        let Question::Push(push) = question else {
            return self.service.ask(question, each);
        };
        let is_stopped = push.entries.iter().any(|raw| {
            let id: EntryId = raw["id"].as_str().unwrap().parse().unwrap();
            self.entries.contains(&id)
        });
        if !is_stopped {
            return self.service.ask(question, each);
        }
        match &self.answer {
            Some(answer) => {
                each(answer.clone())?;
                Ok(Asked::Answered)
            }
            None => Ok(Asked::Lost),
        }
    }
}

#[test]
fn an_entry_that_does_not_get_through_keeps_no_other_one_waiting() {
    for answer in [
        None,
        Some(refused(500, "", "<html>Error</html>")),
        Some(refused(403, "", "<html>Blocked</html>")),
    ] {
        let mut service = houston();
        let mut device = Device::enrolled();
        let clamp = Named::Clamp(known(&service));
        let entries: Vec<_> = (0..9).map(|_| device.tag_out(clamp.clone()).id).collect();
        let report = device.sync(&mut Stops {
            service: &mut service,
            entries: BTreeSet::from([entries[4]]),
            answer,
        });
        assert_eq!((report.recorded, report.left), (8, 1), "{report:?}");
        assert_eq!(report.troubles.len(), 1);
        assert_eq!(report.troubles[0].code, TroubleCode::NotTaken);
        assert!(report.troubles[0].detail.contains(&entries[4].to_string()));
        assert!(service.asked.contains(&"changes".to_owned()));
        assert_eq!(device.sync(&mut service).left, 0);
        assert!(entries.iter().all(|entry| service.times(*entry) == 1));
    }
}

#[test]
fn more_entries_than_are_put_aside_in_one_run_go_after_all_others_in_the_next_ones() {
    let mut service = houston();
    let mut device = Device::enrolled();
    let clamp = Named::Clamp(known(&service));
    let entries: Vec<_> = (0..9).map(|_| device.tag_out(clamp.clone()).id).collect();
    let mut left = Vec::new();
    for _ in 0..2 {
        let report = device.sync(&mut Stops {
            service: &mut service,
            entries: entries[..5].iter().copied().collect(),
            answer: None,
        });
        left.push(report.left);
        // As after the program was ended.
        device = device.reopened();
    }
    assert_eq!(
        left,
        [9, 5],
        "three are put aside in a run: in the second one behind what gets through"
    );
    assert!(entries[5..].iter().all(|entry| service.times(*entry) == 1));
    // What did not get through takes nothing along, and goes once it can.
    let before = service.pushes.len();
    device.tag_out(clamp);
    assert_eq!(device.sync(&mut service).left, 0);
    let sizes: Vec<usize> = service.pushes[before..]
        .iter()
        .map(|push| push.entries.len())
        .collect();
    assert_eq!(sizes, [1; 6]);
    assert!(entries.iter().all(|entry| service.times(*entry) == 1));
}

#[test]
fn a_line_that_breaks_puts_no_tag_out_behind_what_was_written_after_it() {
    struct Breaks<'a>(&'a mut Service);
    impl Transport for Breaks<'_> {
        fn ask(&mut self, question: &Question, each: &mut dyn FnMut(Answer) -> Done) -> Done<Asked> {
            match question {
                Question::Push(_) | Question::Changes { .. } | Question::Snapshot { .. } => Ok(Asked::Lost),
                _ => self.0.ask(question, each),
            }
        }
    }
    let mut service = houston();
    let mut device = Device::enrolled();
    let clamp = Named::Clamp(known(&service));
    let first = device.tag_out(clamp.clone()).id;
    assert_eq!(device.sync(&mut Breaks(&mut service)).left, 1);
    let mut device = device.reopened();
    device.tag_out(clamp);
    assert_eq!(device.sync(&mut service).left, 0);
    let push = &service.pushes[0];
    assert_eq!(push.entries.len(), 2, "nothing goes by itself");
    assert_eq!(push.entries[0]["id"], first.to_string());
}

#[test]
fn a_403_that_is_no_problem_of_the_service_ends_that_part_of_the_run_only() {
    struct Filter<'a>(&'a mut Service, fn(&Question) -> bool);
    impl Transport for Filter<'_> {
        fn ask(&mut self, question: &Question, each: &mut dyn FnMut(Answer) -> Done) -> Done<Asked> {
            if (self.1)(question) {
                each(refused(403, "blocked-by-policy", "Blocked."))?;
                return Ok(Asked::Answered);
            }
            self.0.ask(question, each)
        }
    }
    let mut service = houston();
    let mut device = Device::enrolled();
    let clamp = known(&service);
    device.sync(&mut service);
    device.tag_out(Named::Clamp(clamp));
    let is_pull = |question: &Question| matches!(question, Question::Changes { .. });
    let report = device.sync(&mut Filter(&mut service, is_pull));
    assert_eq!((report.recorded, report.left), (1, 0), "{report:?}");
    assert_eq!(report.troubles[0].code, TroubleCode::NotReached);
    device.tag_out(Named::Clamp(clamp));
    let is_push = |question: &Question| matches!(question, Question::Push(_));
    let report = device.sync(&mut Filter(&mut service, is_push));
    assert_eq!((report.rows, report.left), (1, 1), "{report:?}");
    let is_receipts = |question: &Question| matches!(question, Question::Receipts { .. });
    let report = device.sync(&mut Filter(&mut service, is_receipts));
    assert_eq!((report.recorded, report.rows), (1, 1), "{report:?}");
    assert!(device.sync(&mut service).is_complete());
}

#[test]
fn words_that_this_version_does_not_know_settle_no_entry_and_hinder_no_other() {
    let mut service = houston();
    let mut device = Device::enrolled();
    let clamp = known(&service);
    for _ in 0..3 {
        device.tag_out(Named::Clamp(clamp));
    }
    let held = device.tag_out(Named::Mark("NOT-KNOWN".to_owned())).id;
    service.says = |told| {
        let Some(results) = told.get_mut("results").and_then(|results| results.as_array_mut()) else {
            return;
        };
        for result in results {
            if result["outcome"] == "held" {
                result["held"] = "word_of_a_later_version".into();
            }
            match result["index"].as_u64() {
                Some(0) => {
                    result["remarks"] =
                        serde_json::json!([{"code": "word_of_a_later_version", "detail": "New."}]);
                }
                Some(1) => result["outcome"] = "word_of_a_later_version".into(),
                Some(2) => {
                    result["state_now"] = serde_json::json!({
                        "status": "word_of_a_later_version", "fit": false, "due": {},
                        "reasons": [{"code": "word_of_a_later_version", "detail": "New."}],
                    });
                }
                _ => {}
            }
        }
    };
    let report = device.sync(&mut service);
    assert_eq!(
        (report.recorded, report.held, report.left),
        (2, 1, 1),
        "{report:?}"
    );
    assert_eq!(report.troubles.len(), 1);
    assert_eq!(report.troubles[0].code, TroubleCode::ClientTooOld);
    let kept = device.kept();
    let states: Vec<KeptState> = kept.iter().map(|kept| kept.state).collect();
    assert_eq!(
        states,
        [
            KeptState::Recorded,
            KeptState::Unsent,
            KeptState::Recorded,
            KeptState::Held
        ]
    );
    // Shown as they are.
    let said: Vec<_> = kept.iter().map(|kept| kept.result.clone().unwrap()).collect();
    assert_eq!(said[0]["remarks"][0]["code"], "word_of_a_later_version");
    assert_eq!(said[1]["outcome"], "word_of_a_later_version");
    assert_eq!(
        said[2]["state_now"]["reasons"][0]["code"],
        "word_of_a_later_version"
    );
    assert_eq!(
        (kept[3].entry_id, &said[3]["held"]),
        (held, &"word_of_a_later_version".into())
    );
    // Once the word is known, or another one comes, it goes.
    service.says = |_| {};
    assert_eq!(device.sync(&mut service).left, 0);
    assert!(
        device
            .kept()
            .iter()
            .take(3)
            .all(|kept| service.times(kept.entry_id) == 1)
    );
}

#[test]
fn a_receipt_with_a_new_word_says_that_the_entry_is_there() {
    let mut service = houston();
    let mut device = Device::enrolled();
    let clamp = known(&service);
    device.tag_out(Named::Clamp(clamp));
    device.sync(&mut service);
    service.says = |told| {
        if let Some(items) = told.get_mut("items").and_then(|items| items.as_array_mut()) {
            for item in items {
                item["outcome"] = "word_of_a_later_version".into();
                item["held"] = "word_of_a_later_version".into();
            }
        }
    };
    let report = device.sync(&mut service);
    assert!(report.is_complete() && !report.resynchronised, "{report:?}");
    assert_eq!(device.kept()[0].state, KeptState::Recorded);
}
