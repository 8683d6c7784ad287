//! What a device says without a network: never better than it can prove.

use crate::domain::{World, answer, at, complete, finding, id, kg, mm};
use crate::support::service::Service;
use crate::support::{Device, houston, tag_out};
use clampward_domain::calendar::Interval;
use clampward_domain::entry::{Amended, JudgedBy, ReturnedToService, TaggedOut, Transferred};
use clampward_domain::ids::{ClampId, ModelId, YardId, lockout_id};
use clampward_domain::reference::Model;
use clampward_domain::words::{
    AmendmentField, EntryKind, Ground, InspectionKind, LockoutReason, Outcome, RuleSetName,
};
use clampward_field::core::TroubleCode;
use clampward_field::device::Named;
use jiff::SignedDuration;

const MARK: &str = "HMW-0042";

fn synced() -> (Service, Device, ClampId) {
    let mut service = houston();
    let mut device = Device::enrolled();
    device.sync(&mut service);
    let clamp = *service.granted_clamps().keys().next().unwrap();
    (service, device, clamp)
}

fn minutes(minutes: i64) -> SignedDuration {
    SignedDuration::from_mins(minutes)
}

#[test]
fn the_answer_says_how_old_its_knowledge_is_and_turns_to_no_past_the_yards_limit() {
    let (_, device, _) = synced();
    device.clock.pass(minutes(8 * 60 - 1));
    let answer = device.ask(MARK);
    assert!(answer.fit);
    let age = answer.age_seconds.unwrap();
    assert!((8 * 3600 - 60..8 * 3600).contains(&age), "{age}");
    assert_eq!(answer.fit_until, answer.knowledge_ends_at);
    device.clock.pass(minutes(1));
    assert_eq!(device.why_not(MARK), ["knowledge_too_old"]);
}

#[test]
fn the_limit_is_the_yards_own() {
    let mut service = Service::new(World::new().yard("houston", |yard| {
        yard.knowledge_limit = Interval::Hours(1);
    }));
    service.grant("houston");
    service.clamp_in_service("houston", MARK);
    let mut device = Device::enrolled();
    device.sync(&mut service);
    device.clock.pass(minutes(59));
    assert!(device.may_lift(MARK));
    device.clock.pass(minutes(1));
    assert_eq!(device.why_not(MARK), ["knowledge_too_old"]);
}

#[test]
fn forty_eight_a_service_that_hands_out_clamps_in_another_form_is_pushed_to_and_never_believed_to_be_read() {
    let (mut service, mut device, clamp) = synced();
    let other = service.clamp_in_service("houston", "HMW-0043");
    device.sync(&mut service);
    service.state_format += 1;
    service.write(clamp, "houston", "operator", tag_out(LockoutReason::Dropped));
    let own = device.tag_out(Named::Clamp(other));
    service.asked.clear();
    let report = device.sync(&mut service);
    assert_eq!((report.recorded, report.left), (1, 0), "{report:?}");
    assert!(service.is_recorded(own.id));
    assert_eq!(report.troubles.len(), 1, "{report:?}");
    assert_eq!(report.troubles[0].code, TroubleCode::ClientTooOld);
    for read in ["changes", "snapshot"] {
        assert!(
            !service.asked.iter().any(|word| word == read),
            "{:?}",
            service.asked
        );
    }
    // To have spoken with the service is not to know what it knows.
    assert!(device.may_lift(MARK));
    device.clock.pass(minutes(8 * 60 - 1));
    service.now += minutes(8 * 60 - 1);
    device.sync(&mut service);
    device.clock.pass(minutes(1));
    assert_eq!(device.why_not(MARK), ["knowledge_too_old"]);
    service.state_format -= 1;
    device.sync(&mut service);
    assert_eq!(device.why_not(MARK), ["tagged_out"]);
}

#[test]
fn a_clock_that_is_set_back_does_not_make_knowledge_younger() {
    let (_, device, _) = synced();
    device.clock.pass(minutes(9 * 60));
    device.clock.wall.set(at(crate::support::NOON));
    assert_eq!(device.why_not(MARK), ["knowledge_too_old"]);
}

#[test]
fn after_a_restart_without_contact_the_answer_is_no() {
    let (mut service, mut device, _) = synced();
    device.clock.restart();
    let answer = device.ask(MARK);
    assert_eq!(answer.reasons[0].code, "knowledge_too_old");
    assert!(answer.reasons[0].detail.contains("restarted"));
    assert_eq!(answer.age_seconds, None);
    device.sync(&mut service);
    assert!(device.may_lift(MARK));
}

#[test]
fn a_monotonic_clock_that_went_backwards_is_no() {
    let (_, mut device, clamp) = synced();
    device.clock.pass(minutes(10));
    device.used(Named::Clamp(clamp), "1500");
    assert!(device.may_lift(MARK));
    device.clock.ms.set(device.clock.ms.get() - 120_000);
    assert_eq!(device.why_not(MARK), ["knowledge_too_old"]);
}

#[test]
fn an_unknown_mark_is_no_and_what_looks_alike_is_shown_and_not_taken_for_it() {
    let (_, device, _) = synced();
    assert_eq!(device.why_not("HMW-OO42"), ["unknown_clamp"]);
    assert_eq!(device.ask("HMW-OO42").look_alikes, [MARK]);
    assert!(device.may_lift(" hmw0042 "));
}

#[test]
fn a_mark_that_two_clamps_bear_is_no() {
    let (mut service, mut device, _) = synced();
    service.clamp_in_service("houston", "HMW 0042");
    device.sync(&mut service);
    assert_eq!(device.why_not(MARK), ["ambiguous_mark"]);
}

#[test]
fn the_devices_own_tag_out_bars_before_it_is_sent_while_it_travels_and_after() {
    let (mut service, mut device, clamp) = synced();
    device.tag_out(Named::Clamp(clamp));
    assert_eq!(device.why_not(MARK), ["tagged_out"]);
    let answer = device.ask(MARK);
    assert!(answer.reasons[0].detail.contains("not sent yet"));
    assert_eq!(answer.own_entries, 1);
    device.sync(&mut service);
    assert_eq!(device.why_not(MARK), ["tagged_out"]);
    assert_eq!(device.ask(MARK).own_entries, 0, "the mirror shows it now");
}

#[test]
fn a_tag_out_by_mark_bars_the_clamp_that_bears_it() {
    let (_, mut device, _) = synced();
    device.tag_out(Named::Mark("hmw-0042".to_owned()));
    assert_eq!(device.why_not(MARK), ["tagged_out"]);
}

#[test]
fn the_devices_own_rejection_bars_and_its_own_acceptance_credits_nothing() {
    let (_, mut device, clamp) = synced();
    // The initial inspection of 19 January: the next frequent one is due on 19 February.
    device.clock.wall.set(at("2025-02-20T18:00:00Z"));
    assert!(device.why_not(MARK).contains(&"frequent_overdue".to_owned()));
    let accepted = complete(RuleSetName::UsB3020, None, InspectionKind::Frequent, None);
    device.tell(Named::Clamp(clamp), "inspector", accepted);
    assert!(device.why_not(MARK).contains(&"frequent_overdue".to_owned()));

    let (_, mut device, clamp) = synced();
    let mut rejects = complete(RuleSetName::UsB3020, None, InspectionKind::Frequent, None);
    rejects.findings[0] = finding(&rejects.findings[0].criterion.clone(), Outcome::Reject);
    device.tell(Named::Clamp(clamp), "inspector", rejects);
    assert_eq!(device.why_not(MARK), ["tagged_out"]);
}

#[test]
fn the_devices_own_return_to_service_frees_nothing() {
    let (mut service, mut device, clamp) = synced();
    let lockout = {
        let entry = service.write(clamp, "houston", "operator", tag_out(LockoutReason::Precaution));
        lockout_id(entry, "precaution", "")
    };
    device.sync(&mut service);
    let own = device.tag_out(Named::Clamp(clamp));
    let own_lockout = lockout_id(own.id, "dropped", "");
    let releases = [lockout, own_lockout]
        .map(|lockout| crate::domain::release(lockout, Ground::InspectedFit))
        .to_vec();
    device.tell(Named::Clamp(clamp), "lead", ReturnedToService { releases });
    let barred: Vec<_> = device
        .ask(MARK)
        .reasons
        .iter()
        .filter_map(|reason| reason.lockout_id)
        .collect();
    assert!(
        barred.contains(&lockout) && barred.contains(&own_lockout),
        "{barred:?}"
    );
}

#[test]
fn use_over_the_working_load_limit_bars_at_once() {
    let (_, mut device, clamp) = synced();
    device.used(Named::Clamp(clamp), "3000.1");
    assert_eq!(device.why_not(MARK), ["tagged_out"]);
}

/// A service whose clamp was registered as a GF-3, and shown since to be another model.
fn shown_to_be(model: &str, change: impl FnOnce(&mut Model)) -> (Service, Device, ClampId) {
    let mut service = Service::new(World::new().other_model(model, change));
    service.grant("houston");
    let clamp = service.clamp_in_service("houston", MARK);
    let registration = service.state(clamp).registration.as_ref().unwrap().entry;
    let amended = Amended {
        cites: registration,
        field: AmendmentField::ModelId,
        value: serde_json::json!(id::<ModelId>(model)),
        reason: "the plate says so".to_owned(),
        document: Some("plate.jpg".to_owned()),
    };
    service.write(clamp, "houston", "inspector", amended);
    assert_eq!(service.state(clamp).model_id(), Some(id(model)));
    let mut device = Device::enrolled();
    device.sync(&mut service);
    assert!(device.may_lift(MARK), "{:?}", device.why_not(MARK));
    (service, device, clamp)
}

#[test]
fn the_lowest_rating_of_every_model_it_was_shown_to_be_counts_here_too() {
    let (mut service, mut device, clamp) = shown_to_be("GF-5", |model| model.wll = kg("5000"));
    device.used(Named::Clamp(clamp), "4000");
    assert_eq!(device.why_not(MARK), ["tagged_out"]);
    device.sync(&mut service);
    assert_eq!(device.why_not(MARK), ["tagged_out"], "as the service says");
}

#[test]
fn without_the_model_that_it_was_registered_as_the_answer_is_no() {
    let (_, mut device, _) = shown_to_be("GF-5", |model| model.wll = kg("5000"));
    device.forget("model", id::<ModelId>("GF-3").uuid());
    assert_eq!(device.why_not(MARK), ["unknown_model"]);
}

#[test]
fn an_own_reading_within_the_limit_of_another_model_bars_by_the_clamps_own_once() {
    // An eye of 30 mm when new is as good as new at 29.4 mm; one of 36 mm has lost more than a sixth.
    let (service, mut device, clamp) = shown_to_be("GF-4", |model| {
        model.wear_points[0].nominal = mm("36.0");
    });
    let first = service.world.reference.models[&id::<ModelId>("GF-3")].numbered(1);
    let first = Some(&*first.unwrap().value);
    let mut worn = complete(RuleSetName::UsB3020, first, InspectionKind::Frequent, None);
    answer(&mut worn, "shackle_eye_worn").measured = Some(mm("29.4"));
    let stale = JudgedBy {
        model_id: id("GF-3"),
        ..service.judged_by("houston")
    };
    device.tell_judged_by(Named::Clamp(clamp), "inspector", stale, worn);
    assert_eq!(device.why_not(MARK), ["tagged_out"]);
    let detail = &device.ask(MARK).reasons[0].detail;
    assert!(detail.contains("on this device (not sent yet)"), "{detail}");
}

#[test]
fn an_own_inspection_judged_elsewhere_that_a_yard_unknown_here_would_judge_too_bars() {
    let mut service = Service::new(World::new());
    service.grant("houston");
    let clamp = service.clamp_in_service("leith", MARK);
    let registration = service.state(clamp).registration.as_ref().unwrap().entry;
    let moved = Transferred {
        to_yard: id("houston"),
        replaces: Some(registration),
        note: None,
    };
    service.write(clamp, "leith", "lead", moved);
    let mut device = Device::enrolled();
    device.sync(&mut service);
    // The service tells a device of its own yards only.
    device.forget("yard", id::<YardId>("leith").uuid());
    let nothing_found = complete(RuleSetName::UsB3020, None, InspectionKind::Frequent, None);
    let of_houston = service.judged_by("houston");
    device.tell_judged_by(
        Named::Clamp(clamp),
        "inspector",
        of_houston.clone(),
        nothing_found.clone(),
    );
    assert!(!device.why_not(MARK).contains(&"unknown_yard".to_owned()));
    let elsewhere = JudgedBy {
        yard_id: id("erie"),
        ..of_houston
    };
    device.tell_judged_by(Named::Clamp(clamp), "inspector", elsewhere, nothing_found);
    assert!(device.why_not(MARK).contains(&"unknown_yard".to_owned()));
}

#[test]
fn an_own_tag_out_written_by_a_clock_that_is_ahead_bars_now() {
    let (_, mut device, clamp) = synced();
    let right = device.clock.wall.get();
    device.clock.wall.set(right + SignedDuration::from_hours(72));
    device.tag_out(Named::Clamp(clamp));
    device.clock.wall.set(right);
    assert!(device.why_not(MARK).contains(&"tagged_out".to_owned()));
}

#[test]
fn an_own_entry_that_this_version_cannot_read_is_no() {
    let (_, mut device, clamp) = synced();
    let entry = device.tag_out(Named::Clamp(clamp));
    device
        .database
        .write(|connection| {
            connection.execute(
                "update journal set raw = replace(raw, 'dropped', 'word_of_a_later_version') where entry_id = ?1",
                [entry.id.to_string()],
            )?;
            Ok(())
        })
        .unwrap();
    assert_eq!(device.why_not(MARK), ["own_entry_unreadable"]);
}

#[test]
fn what_was_acknowledged_restricts_until_the_mirror_shows_it() {
    let (mut service, mut device, clamp) = synced();
    device.tag_out(Named::Clamp(clamp));
    // Pushed, and the connection breaks before anything is pulled.
    struct PushOnly<'a>(&'a mut Service);
    impl clampward_field::session::Transport for PushOnly<'_> {
        fn ask(
            &mut self,
            question: &clampward_field::session::Question,
            each: &mut dyn FnMut(clampward_field::core::Answer) -> clampward_field::failure::Done,
        ) -> clampward_field::failure::Done<clampward_field::session::Asked> {
            match question {
                clampward_field::session::Question::Changes { .. } => {
                    Ok(clampward_field::session::Asked::Lost)
                }
                _ => self.0.ask(question, each),
            }
        }
    }
    device.sync(&mut PushOnly(&mut service));
    assert_eq!(device.unsent(), 0);
    assert_eq!(device.why_not(MARK), ["tagged_out"]);
    assert!(device.ask(MARK).reasons[0].detail.contains("not heard back yet"));
}

#[test]
fn a_retired_clamp_is_no() {
    let (mut service, mut device, clamp) = synced();
    service.write(
        clamp,
        "houston",
        "safety",
        clampward_domain::entry::Retired {
            reason: "body plate cracked".to_owned(),
            made_unusable: None,
            witness: None,
        },
    );
    device.sync(&mut service);
    assert_eq!(device.why_not(MARK), ["retired"]);
}

#[test]
fn a_mark_that_many_scrapped_clamps_bore_is_the_live_ones() {
    let mut service = Service::new(World::new());
    service.grant("houston");
    for _ in 0..20 {
        let clamp = service.clamp_in_service("houston", MARK);
        let retired = clampward_domain::entry::Retired {
            reason: "body plate cracked".to_owned(),
            made_unusable: None,
            witness: None,
        };
        service.write(clamp, "houston", "safety", retired);
    }
    let live = service.clamp_in_service("houston", MARK);
    let mut device = Device::enrolled();
    device.sync(&mut service);
    assert!(device.may_lift(MARK), "{:?}", device.why_not(MARK));
    assert_eq!(device.ask(MARK).clamp_id, Some(live));
}

#[test]
fn what_falls_due_while_offline_is_no_from_that_day_on() {
    // Knowledge may be old here, so that the due date speaks for itself.
    let mut service = Service::new(World::new().yard("houston", |yard| {
        yard.knowledge_limit = Interval::Days(60);
    }));
    service.grant("houston");
    service.clamp_in_service("houston", MARK);
    let mut device = Device::enrolled();
    device.sync(&mut service);
    // Due on 19 February in Houston: fit through the end of that day, 06:00 UTC on the 20th.
    device
        .clock
        .pass(at("2025-02-20T05:59:00Z").duration_since(device.clock.wall.get()));
    assert!(device.may_lift(MARK));
    device.clock.pass(minutes(2));
    assert_eq!(device.why_not(MARK), ["frequent_overdue"]);
}

#[test]
fn without_the_clamps_model_the_answer_is_no() {
    let (_, mut device, _) = synced();
    device.forget("model", id::<ModelId>("GF-3").uuid());
    assert_eq!(device.why_not(MARK), ["unknown_model"]);
}

#[test]
fn a_device_that_never_heard_from_the_service_knows_nothing_and_keeps_what_is_written() {
    let mut device = Device::enrolled();
    assert_eq!(device.why_not(MARK), ["unknown_clamp"]);
    let entry = device.tell(
        Named::Mark(MARK.to_owned()),
        "operator",
        TaggedOut {
            note: Some("fell from the rack".to_owned()),
            ..tag_out(LockoutReason::Dropped)
        },
    );
    assert_eq!((entry.kind, entry.device_seq), (EntryKind::TaggedOut, 1));
    assert_eq!(device.unsent(), 1);
}
