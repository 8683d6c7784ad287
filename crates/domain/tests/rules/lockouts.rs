//! What opens a lock-out, from when it bars, and what a measurement says.

use crate::support::{History, World, answer, at, day, id, kg, mm, release};
use clampward_domain::entry::{Body, Finding, Inspected, ProofTestResult};
use clampward_domain::ids::{EntryId, LockoutId, lockout_id};
use clampward_domain::judge::{RefusalCode, RemarkCode};
use clampward_domain::projection::Projection;
use clampward_domain::words::{
    AmendmentField, Component, ExaminationBasis, ExceptionalReason, FitnessReason, Grade, Ground,
    InspectionKind, LockoutReason, Outcome, Status, StopKind,
};
use serde_json::json;

fn measured(millimetres: &str, outcome: Outcome, uncertainty: &str) -> impl FnOnce(&mut Inspected) {
    let (millimetres, uncertainty) = (mm(millimetres), mm(uncertainty));
    move |body| {
        let eye = answer(body, "shackle_eye_worn");
        (eye.measured, eye.outcome, eye.uncertainty) = (Some(millimetres), outcome, Some(uncertainty));
    }
}
fn inspect(clamp: &mut History, when: &str, change: impl FnOnce(&mut Inspected)) -> EntryId {
    let mut body = clamp.complete(InspectionKind::Periodic);
    change(&mut body);
    clamp.write(when, "inspector", body)
}
/// Releases a lock-out by an exceptional inspection for a shock.
fn clear(clamp: &mut History, inspected: &str, returned: &str, lockout: LockoutId) -> EntryId {
    let inspection = clamp.inspected_for(inspected, "inspector", ExceptionalReason::Shock, &[lockout]);
    let mut fit = release(lockout, Ground::InspectedFit);
    fit.inspection_entry = Some(inspection);
    clamp.returned(returned, "lead", vec![fit])
}

#[test]
fn a_measurement_at_the_limit_overrules_the_inspectors_tick() {
    // Nominal 30.0 mm, 10 % (ASME B30.26): limit 27.0 mm.
    let mut clamp = History::in_service(World::new(), "houston");
    let worn = inspect(
        &mut clamp,
        "2025-01-10T15:00Z",
        measured("27.00", Outcome::Accept, "0"),
    );
    assert_eq!(clamp.open(), ["shackle_eye_worn"]);
    let outcome = clamp.judge(worn).outcome;
    assert!(
        outcome
            .remarks
            .iter()
            .any(|remark| remark.code == RemarkCode::MeasurementOverruled)
    );
    let mut clamp = History::in_service(World::new(), "houston");
    inspect(
        &mut clamp,
        "2025-01-10T15:00Z",
        measured("27.01", Outcome::Accept, "0"),
    );
    assert!(clamp.is_fit("2025-01-10T15:00Z"));
    // In the strict direction only: a reject stands whatever was measured.
    inspect(
        &mut clamp,
        "2025-01-11T15:00Z",
        measured("27.01", Outcome::Reject, "0"),
    );
    assert_eq!(clamp.open(), ["shackle_eye_worn"]);
}

#[test]
fn what_is_not_shown_to_conform_bars() {
    // Guard band after ISO 14253-1, U = 0.10 mm: 27.10 passes, 26.90 ≤ m < 27.10 is grey.
    for (millimetres, fit) in [("27.10", true), ("27.09", false), ("26.90", false)] {
        let mut clamp = History::in_service(World::new(), "houston");
        inspect(
            &mut clamp,
            "2025-01-10T15:00Z",
            measured(millimetres, Outcome::Accept, "0.10"),
        );
        assert_eq!(clamp.is_fit("2025-01-10T15:00Z"), fit, "{millimetres}");
    }
}

#[test]
fn a_reading_better_than_the_last_on_an_unrenewed_part_leaves_the_criterion_open() {
    let mut clamp = History::in_service(World::new(), "houston");
    inspect(
        &mut clamp,
        "2025-01-10T15:00Z",
        measured("28.00", Outcome::Accept, "0.10"),
    );
    let within = inspect(
        &mut clamp,
        "2025-01-11T15:00Z",
        measured("28.20", Outcome::Accept, "0.10"),
    );
    assert_eq!(clamp.judge(within).outcome.credited, Some(true));
    let slip = inspect(
        &mut clamp,
        "2025-01-12T15:00Z",
        measured("28.41", Outcome::Accept, "0.10"),
    );
    assert_eq!(clamp.judge(slip).outcome.credited, Some(false));
    assert_eq!(clamp.open(), Vec::<String>::new());
    assert_eq!(
        clamp.standing("2025-01-12T15:00Z").due.periodic.unwrap().on,
        Some(day("2026-01-11"))
    );
    // A renewed shackle has no last reading.
    clamp.forget(slip);
    clamp.repaired("2025-01-12T15:00Z", "technician", Component::Shackle, &[]);
    let renewed = inspect(
        &mut clamp,
        "2025-01-13T15:00Z",
        measured("29.90", Outcome::Accept, "0.10"),
    );
    assert_eq!(clamp.judge(renewed).outcome.credited, Some(true));
}

#[test]
fn a_slip_that_the_safety_role_marked_as_an_error_is_no_last_reading() {
    let mut clamp = History::in_service(World::new(), "houston");
    // 27.40 for 28.40: it conforms, but every true reading after it looks better than it.
    let slip = inspect(
        &mut clamp,
        "2025-01-10T15:00Z",
        measured("27.40", Outcome::Accept, "0.10"),
    );
    let true_one = inspect(
        &mut clamp,
        "2025-01-11T15:00Z",
        measured("28.38", Outcome::Accept, "0.10"),
    );
    assert_eq!(clamp.judge(true_one).outcome.credited, Some(false));
    let text = serde_json::json!("read 27.40 for 28.40");
    clamp.amended(
        "2025-01-11T16:00Z",
        "safety",
        slip,
        AmendmentField::EnteredInError,
        text,
    );
    assert_eq!(
        clamp.standing("2025-01-12T15:00Z").due.periodic.unwrap().on,
        Some(day("2026-01-11"))
    );
}

#[test]
fn a_slip_of_the_finger_supports_no_return_either() {
    let mut clamp = History::in_service(World::new(), "houston");
    inspect(
        &mut clamp,
        "2025-01-10T15:00Z",
        measured("28.00", Outcome::Accept, "0.10"),
    );
    let dropped = clamp.tagged_out("2025-01-11T15:00Z", "operator", LockoutReason::Dropped);
    let returned = clear(&mut clamp, "2025-01-12T15:00Z", "2025-01-13T15:00Z", dropped);
    let inspection = clamp.entries[clamp.entries.len() - 2].id;
    measured("28.50", Outcome::Accept, "0.10")(clamp.inspection_mut(inspection));
    assert!(clamp.is_open(dropped));
    assert!(clamp.state().waiting.contains_key(&returned));
    measured("27.90", Outcome::Accept, "0.10")(clamp.inspection_mut(inspection));
    assert!(!clamp.is_open(dropped));
}

#[test]
fn a_model_tightens_a_limit_freely_and_loosens_it_only_with_the_makers_figure() {
    let fit = |percent: &str, document: Option<&str>, millimetres: &str| {
        let world = World::new().model(|model| {
            model.wear_points[0].limit_percent = Some(percent.parse().unwrap());
            model.wear_points[0].maker_document = document.map(str::to_owned);
        });
        let mut clamp = History::in_service(world, "houston");
        inspect(
            &mut clamp,
            "2025-01-10T15:00Z",
            measured(millimetres, Outcome::Accept, "0"),
        );
        clamp.is_fit("2025-01-10T15:00Z")
    };
    // 5 %: limit 28.5 mm. 15 %: limit 25.5 mm. The rule's 10 %: 27.0 mm.
    assert!(!fit("5", None, "28.5"));
    assert!(fit("5", None, "28.6"));
    assert!(!fit("15", None, "26.9"));
    assert!(!fit("15", Some(" "), "26.9"));
    assert!(fit("15", Some("letter.pdf"), "26.9"));
    assert!(!fit("15", Some("letter.pdf"), "25.5"));
}

#[test]
fn a_model_amended_after_a_rejection_frees_nothing() {
    let world = World::new().model_from("2025-01-15T00:00Z", |model| {
        model.wear_points[0].limit_percent = Some("20".parse().unwrap());
        model.wear_points[0].maker_document = Some("letter.pdf".to_owned());
    });
    let mut clamp = History::in_service(world, "houston");
    inspect(
        &mut clamp,
        "2025-01-10T15:00Z",
        measured("26.90", Outcome::Accept, "0"),
    );
    assert!(!clamp.is_fit("2025-01-20T15:00Z"));
    let first = clamp.entries[0].id;
    clamp.amended(
        "2025-01-20T15:00Z",
        "safety",
        first,
        AmendmentField::ModelId,
        json!(id::<clampward_domain::ids::ModelId>("GF-4")),
    );
    assert_eq!(clamp.open(), ["shackle_eye_worn"]);
    // Judged by the new version it passes.
    clamp.by_versions(1, 2);
    clamp.entries.truncate(2);
    inspect(
        &mut clamp,
        "2025-01-20T15:00Z",
        measured("26.90", Outcome::Accept, "0"),
    );
    assert!(clamp.is_fit("2025-01-20T15:00Z"));
}

#[test]
fn not_applicable_needs_a_model_without_that_part() {
    let mut clamp = History::in_service(World::new(), "houston");
    let claimed = inspect(&mut clamp, "2025-01-10T15:00Z", |body| {
        answer(body, "lock_ring_missing").outcome = Outcome::NotApplicable;
    });
    assert_eq!(clamp.judge(claimed).outcome.credited, Some(false));
    clamp.world = clamp
        .world
        .model(|model| model.without_criteria.push("lock_ring_missing".to_owned()));
    assert_eq!(clamp.judge(claimed).outcome.credited, Some(true));
}

#[test]
fn watch_goes_with_accept_only() {
    let mut clamp = History::in_service(World::new(), "houston");
    let graded = |outcome| {
        move |body: &mut Inspected| {
            let pin = answer(body, "pin_bent");
            (pin.outcome, pin.grade) = (outcome, Some(Grade::Watch));
        }
    };
    let noted = inspect(&mut clamp, "2025-01-10T15:00Z", graded(Outcome::Accept));
    assert_eq!(clamp.judge(noted).outcome.credited, Some(true));
    assert!(clamp.is_fit("2025-01-10T15:00Z"));
    inspect(&mut clamp, "2025-01-11T15:00Z", graded(Outcome::Reject));
    assert!(!clamp.is_fit("2025-01-11T15:00Z"));
}

/// A thorough examination on 10 March 2025 in Leith that gives a defect until a day.
fn with_date(by: &str, until: &str, change: impl FnOnce(&mut Inspected)) -> History {
    let mut clamp = History::new(World::new(), "leith");
    clamp.registered("2025-03-09T10:00Z", |_| {});
    let mut body = clamp.complete(InspectionKind::Periodic);
    body.basis = Some(ExaminationBasis::LimbI);
    body.next_latest_date = Some(day("2025-08-31"));
    let pin: &mut Finding = answer(&mut body, "pin_bent");
    (pin.outcome, pin.grade, pin.by_date) = (Outcome::Reject, Some(Grade::DangerBy), Some(day(until)));
    change(&mut body);
    clamp.write("2025-03-10T10:00Z", by, body);
    clamp
}

#[test]
fn a_dated_defect_bars_after_the_end_of_its_day_in_the_yards_zone() {
    // LOLER 1998 reg. 10(3)(b). Summer time began on 30 March 2025: the day ends at 23:00 UTC.
    let clamp = with_date("inspector", "2025-03-31", |_| {});
    let now = clamp.standing("2025-03-10T10:00Z");
    assert_eq!((now.fit, now.fit_until), (true, Some(at("2025-03-31T23:00Z"))));
    assert!(clamp.is_fit("2025-03-31T22:59:59.999999Z"));
    assert_eq!(clamp.standing("2025-03-31T23:00Z").status, Status::TaggedOut);
    assert_eq!(clamp.open(), ["pin_bent"]);
    let judgement = clamp.judge(clamp.entries[1].id);
    assert_eq!(
        judgement.outcome.credited,
        Some(true),
        "a dated defect does not prevent crediting"
    );
}

#[test]
fn a_defect_dated_today_or_tomorrow_may_stay_and_one_dated_yesterday_is_a_danger() {
    let ends = |until| with_date("inspector", until, |_| {}).state().open_lockouts()[0].bars_from;
    assert_eq!(ends("2025-03-09"), at("2025-03-10T10:00Z"));
    assert_eq!(ends("2025-03-10"), at("2025-03-11T00:00Z"));
    assert_eq!(ends("2025-03-11"), at("2025-03-12T00:00Z"));
    // Not after the next examination's latest date.
    assert_eq!(ends("2025-08-31"), at("2025-08-31T23:00Z"));
    assert_eq!(ends("2025-09-01"), at("2025-03-10T10:00Z"));
}

#[test]
fn a_date_counts_from_a_qualified_person_in_a_british_examination_only() {
    let grade = |clamp: &History| clamp.state().open_lockouts()[0].grade;
    assert_eq!(
        grade(&with_date("inspector", "2025-03-31", |_| {})),
        Grade::DangerBy
    );
    assert_eq!(
        grade(&with_date("designated", "2025-03-31", |_| {})),
        Grade::Danger
    );
    // Without a basis a periodic inspection is no thorough examination; an interim inspection may give a date.
    assert_eq!(
        grade(&with_date("inspector", "2025-03-31", |body| body.basis = None)),
        Grade::Danger
    );
    let interim = |body: &mut Inspected| {
        body.basis = None;
        body.inspection_kind = InspectionKind::Frequent;
    };
    assert_eq!(
        grade(&with_date("inspector", "2025-03-31", interim)),
        Grade::DangerBy
    );
    // A failing measurement has no date.
    let worn = |body: &mut Inspected| {
        answer(body, "pin_bent").outcome = Outcome::Accept;
        answer(body, "pin_bent").grade = None;
        let pin = answer(body, "pin_worn");
        (pin.measured, pin.outcome) = (Some(mm("20")), Outcome::Reject);
        (pin.grade, pin.by_date) = (Some(Grade::DangerBy), Some(day("2025-03-31")));
    };
    assert_eq!(grade(&with_date("inspector", "2025-03-31", worn)), Grade::Danger);
    let mut american = with_date("inspector", "2025-03-31", |_| {});
    american.now_in("erie");
    let body = american.inspection_mut(american.entries[1].id).clone();
    let mut clamp = History::in_service(World::new(), "erie");
    clamp.write("2025-01-10T10:00Z", "inspector", body);
    assert_eq!(grade(&clamp), Grade::Danger);
}

#[test]
fn of_two_findings_about_one_place_the_stricter_counts() {
    let clamp = with_date("inspector", "2025-03-31", |body| {
        let mut danger = answer(body, "pin_bent").clone();
        (danger.grade, danger.by_date) = (None, None);
        body.findings.insert(0, danger);
    });
    assert!(!clamp.is_fit("2025-03-10T10:00Z"));
}

#[test]
fn a_failed_every_lift_check_bars_for_everyone() {
    let mut clamp = History::in_service(World::new(), "houston");
    let failed = clamp.tagged_out(
        "2025-01-10T15:00Z",
        "operator",
        LockoutReason::EveryLiftCheckFailed,
    );
    assert_eq!(clamp.reasons("2025-01-10T15:00Z"), [FitnessReason::TaggedOut]);
    clear(&mut clamp, "2025-01-11T15:00Z", "2025-01-12T15:00Z", failed);
    assert!(clamp.is_fit("2025-01-12T15:00Z"));
}

#[test]
fn a_repair_bars_a_clamp_in_service_until_it_is_reinspected() {
    let mut clamp = History::in_service(World::new(), "houston");
    let repair = clamp.repaired("2025-01-10T15:00Z", "technician", Component::Spring, &[]);
    assert_eq!(clamp.open(), ["not_reinspected"]);
    let inspection = clamp.reinspected("2025-01-11T15:00Z", "inspector", repair);
    assert!(!clamp.is_fit("2025-01-11T16:00Z"));
    let mut of_repair = release(clamp.not_reinspected(repair), Ground::Reinspected);
    of_repair.inspection_entry = Some(inspection);
    clamp.returned("2025-01-12T15:00Z", "lead", vec![of_repair]);
    assert!(clamp.is_fit("2025-01-12T15:00Z"));
}

#[test]
fn a_proof_test_over_125_percent_bars_unless_the_maker_says_otherwise() {
    // ASME B30.20-2013, 20-1.3.8.2; WLL 3,000 kg: 3,747 kg = 124.9 %, 3,750 kg = 125.0 %, 3,753 kg = 125.1 %.
    let tested = |yard: &str, load: &str, document: Option<&str>| {
        let mut clamp = History::in_service(World::new(), yard);
        let test = clamp.proof_tested("2025-01-10T15:00Z", kg(load), ProofTestResult::Passed);
        if let Body::ProofTested(body) = &mut clamp.entry_mut(test).body {
            body.maker_document = document.map(str::to_owned);
        }
        clamp.open()
    };
    let none: [&str; 0] = [];
    assert_eq!(tested("houston", "3747", None), none);
    assert_eq!(tested("houston", "3750", None), none);
    assert_eq!(tested("houston", "3750.0001", None), ["proof_test_over_limit"]);
    assert_eq!(tested("houston", "3753", None), ["proof_test_over_limit"]);
    assert_eq!(tested("houston", "3753", Some("letter.pdf")), none);
    assert_eq!(tested("leith", "3753", None), none);
    let mut failed = History::in_service(World::new(), "leith");
    failed.proof_tested("2025-01-10T15:00Z", kg("3000"), ProofTestResult::Failed);
    assert_eq!(failed.open(), ["proof_test_failed"]);
}

#[test]
fn use_over_the_working_load_limit_or_against_a_stop_is_suspected_misuse() {
    let used = |load: Option<&str>, stop: Option<StopKind>| {
        let mut clamp = History::in_service(World::new(), "houston");
        clamp.used("2025-01-10T15:00Z", "2025-01-10T16:00Z", |body| {
            body.heaviest_load = load.map(kg);
            body.against_stop = stop.into_iter().collect();
        });
        clamp.open()
    };
    let none: [&str; 0] = [];
    assert_eq!(used(Some("3000"), None), none);
    assert_eq!(used(Some("3000.0001"), None), ["overload_or_misuse_suspected"]);
    assert_eq!(used(None, None), none);
    assert_eq!(used(None, Some(StopKind::Other)), none);
    for stop in [
        StopKind::Tension,
        StopKind::Thickness,
        StopKind::KindOfLift,
        StopKind::Tilt,
    ] {
        assert_eq!(used(None, Some(stop)), ["overload_or_misuse_suspected"]);
    }
}

#[test]
fn use_while_barred_bars_also_when_the_tag_out_arrives_after_the_use() {
    let mut clamp = History::in_service(World::new(), "houston");
    let used = clamp.used("2025-01-10T15:00Z", "2025-01-10T19:00Z", |_| {});
    assert_eq!(clamp.open(), Vec::<String>::new());
    let tag = clamp.tagged_out("2025-01-10T16:00Z", "designated", LockoutReason::Precaution);
    assert_eq!(clamp.open(), ["precaution", "used_while_not_fit"]);
    let late = clamp.entries.last().unwrap().id;
    let opened: Vec<_> = clamp
        .judge(late)
        .outcome
        .opened
        .iter()
        .map(|opened| opened.id)
        .collect();
    assert_eq!(opened.len(), 2, "whoever sends the tag-out is told of both");
    assert!(opened.contains(&tag) && opened.contains(&lockout_id(used, "used_while_not_fit", "")));
    // Use that ended as the bar began, or began as the return was signed, was not use of a barred clamp.
    let mut clamp = History::in_service(World::new(), "houston");
    let tag = clamp.tagged_out("2025-01-10T16:00Z", "designated", LockoutReason::Dropped);
    clear(&mut clamp, "2025-01-11T15:00Z", "2025-01-12T15:00Z", tag);
    clamp.used("2025-01-10T15:00Z", "2025-01-10T16:00Z", |_| {});
    let after = clamp.used("2025-01-12T15:00Z", "2025-01-12T16:00Z", |_| {});
    assert_eq!(clamp.open(), Vec::<String>::new());
    clamp.forget(after);
    clamp.used("2025-01-12T14:59Z", "2025-01-12T15:30Z", |_| {});
    assert_eq!(clamp.open(), ["used_while_not_fit"]);
}

#[test]
fn use_while_only_overdue_alerts_and_opens_nothing() {
    let mut clamp = History::in_service(World::new(), "houston");
    let used = clamp.used("2025-03-10T15:00Z", "2025-03-10T16:00Z", |_| {});
    let outcome = clamp.judge(used).outcome;
    assert!(
        outcome
            .remarks
            .iter()
            .any(|remark| remark.code == RemarkCode::UsedWhileNotFit)
    );
    assert_eq!(outcome.opened, []);
    assert_eq!(clamp.open(), Vec::<String>::new());
}

#[test]
fn a_suspicion_found_in_an_inspection_clears_by_an_exceptional_inspection_that_names_it() {
    for criterion in ["shock_load_suspected", "drop_suspected", "overload_suspected"] {
        let mut clamp = History::in_service(World::new(), "houston");
        let suspected = clamp.rejected("2025-01-10T15:00Z", "designated", criterion);
        let returned = clear(&mut clamp, "2025-01-11T15:00Z", "2025-01-12T15:00Z", suspected);
        assert_eq!(clamp.unmet(returned), [], "{criterion}");
        assert!(clamp.is_fit("2025-01-12T15:00Z"));
        // Out of caution only is not enough.
        let inspection = clamp.entries[clamp.entries.len() - 2].id;
        let lockouts = vec![suspected];
        let reason = Some(ExceptionalReason::Precaution);
        let mut light = clamp.complete_for(InspectionKind::Exceptional, reason);
        light.lockouts = lockouts;
        *clamp.inspection_mut(inspection) = light;
        assert!(clamp.is_open(suspected));
    }
}

#[test]
fn disagreeing_ratings_bar_and_the_lowest_counts_meanwhile() {
    let mut clamp = History::new(World::new(), "houston");
    let registered = clamp.registered("2025-01-02T15:00Z", |body| body.wll = Some(kg("3200")));
    clamp.accepted("2025-01-03T15:00Z", "inspector", InspectionKind::Initial);
    assert_eq!(clamp.open(), ["rating_in_doubt"]);
    let wll = |clamp: &History| {
        let now = at("2025-01-10T15:00Z");
        clampward_domain::particulars::particulars(&clamp.state(), &clamp.world.reference, now)
            .unwrap()
            .wll
    };
    assert_eq!(wll(&clamp), Some(kg("3000")));
    let proof = clamp.amended(
        "2025-01-04T15:00Z",
        "inspector",
        registered,
        AmendmentField::Wll,
        json!({"value": "3200", "unit": "kg"}),
    );
    assert_eq!(
        clamp.open(),
        ["rating_in_doubt"],
        "the proof opens no doubt of its own, and closes none by itself"
    );
    let mut fit = release(
        lockout_id(registered, "rating_in_doubt", ""),
        Ground::InspectedFit,
    );
    fit.correction_entry = Some(proof);
    clamp.returned("2025-01-05T15:00Z", "lead", vec![fit]);
    assert!(clamp.is_fit("2025-01-05T15:00Z"));
    assert_eq!(wll(&clamp), Some(kg("3200")));
}

#[test]
fn a_rating_amended_without_proof_puts_the_rating_in_doubt() {
    let amended = |by: &str, document: Option<&str>, kilograms: &str| {
        let mut clamp = History::in_service(World::new(), "houston");
        let first = clamp.entries[0].id;
        let value = json!({"value": kilograms, "unit": "kg"});
        let amendment = clamp.amended("2025-01-04T15:00Z", by, first, AmendmentField::Wll, value);
        if let Body::Amended(body) = &mut clamp.entry_mut(amendment).body {
            body.document = document.map(str::to_owned);
        }
        let now = at("2025-01-10T15:00Z");
        let particulars =
            clampward_domain::particulars::particulars(&clamp.state(), &clamp.world.reference, now);
        (clamp.open().len(), particulars.unwrap().wll.unwrap())
    };
    assert_eq!(amended("inspector", Some("plate.jpg"), "5000"), (0, kg("5000")));
    assert_eq!(amended("inspector", None, "5000"), (1, kg("3000")));
    assert_eq!(amended("operator", Some("plate.jpg"), "5000"), (1, kg("3000")));
    // Also one that agrees with the model: the plate may have said less.
    assert_eq!(amended("operator", None, "3000"), (1, kg("3000")));
}

#[test]
fn a_retired_clamp_takes_nothing_but_what_restricts_and_comes_back_tagged_out_by_two_persons() {
    let mut clamp = History::in_service(World::new(), "houston");
    let retired = clamp.retired("2025-01-10T15:00Z");
    assert_eq!(clamp.standing("2025-01-10T15:00Z").status, Status::Retired);
    let issue = clamp.issued("2025-01-11T15:00Z", "operator");
    assert!(clamp.refusals(issue).contains(&RefusalCode::Retired));
    clamp.forget(issue);
    let tag = clamp.tagged_out("2025-01-11T15:00Z", "operator", LockoutReason::Precaution);
    assert_eq!(clamp.refusals(clamp.entries.last().unwrap().id), []);
    clamp.forget(clamp.entries.last().unwrap().id);
    let undone = clamp.amended(
        "2025-01-12T15:00Z",
        "safety",
        retired,
        AmendmentField::RetirementUndone,
        json!("wrong clamp"),
    );
    assert_eq!(
        clamp.standing("2025-01-12T15:00Z").status,
        Status::Retired,
        "one person is not enough"
    );
    clamp.confirmed("2025-01-12T16:00Z", "safety", undone);
    assert_eq!(
        clamp.standing("2025-01-12T16:00Z").status,
        Status::Retired,
        "nor the same one twice"
    );
    clamp.confirmed("2025-01-12T17:00Z", "other_safety", undone);
    assert_eq!(clamp.standing("2025-01-12T17:00Z").status, Status::TaggedOut);
    assert_eq!(clamp.open(), ["retirement_undone"]);
    assert!(!clamp.state().lockouts.contains_key(&tag));
}

#[test]
fn a_retirement_that_nobody_signed_bars_and_leaves_the_clamp_among_those_that_bear_its_mark() {
    let mut clamp = History::in_service(World::new(), "houston");
    let unsigned = clamp.retired("2025-01-10T15:00Z");
    clamp.entry_mut(unsigned).signed = false;
    let retired_at = |clamp: &History| {
        let (state, at) = (clamp.state(), at("2025-01-20T15:00Z"));
        Projection::of(&state, &clamp.world.reference, at).retired_at
    };
    assert!(!clamp.is_fit("2025-01-10T16:00Z"));
    assert_eq!(clamp.standing("2025-01-10T16:00Z").status, Status::InService);
    assert_eq!(retired_at(&clamp), None);
    let signed = clamp.retired("2025-01-11T15:00Z");
    assert_eq!(clamp.refusals(signed), [], "who signs for it may");
    assert_eq!(retired_at(&clamp), Some(at("2025-01-11T15:00Z")));
    // The one is undone, and the other was said all the same.
    let undone = clamp.amended(
        "2025-01-12T15:00Z",
        "safety",
        signed,
        AmendmentField::RetirementUndone,
        json!("wrong clamp"),
    );
    clamp.confirmed("2025-01-12T17:00Z", "other_safety", undone);
    assert_eq!(retired_at(&clamp), None);
    assert!(
        clamp
            .reasons("2025-01-12T18:00Z")
            .contains(&FitnessReason::Retired)
    );
}

#[test]
fn of_two_retirements_the_other_stands_when_one_is_undone() {
    for undone in [0, 1] {
        let mut clamp = History::in_service(World::new(), "houston");
        let both = [
            clamp.retired("2025-01-10T15:00Z"),
            clamp.retired("2025-01-11T15:00Z"),
        ];
        let word = clamp.amended(
            "2025-01-12T15:00Z",
            "safety",
            both[undone],
            AmendmentField::RetirementUndone,
            json!("wrong clamp"),
        );
        clamp.confirmed("2025-01-12T17:00Z", "other_safety", word);
        assert_eq!(clamp.state().retirement().unwrap().entry, both[1 - undone]);
        assert_eq!(clamp.standing("2025-01-12T18:00Z").status, Status::Retired);
    }
}

#[test]
fn safe_to_operate_together_with_a_danger_is_refused() {
    let mut clamp = History::new(World::new(), "leith");
    clamp.registered("2025-03-14T10:00Z", |_| {});
    let examined = clamp.examined("2025-03-15T10:00Z", |body| {
        body.safe_to_operate = Some(true);
        answer(body, "pin_bent").outcome = Outcome::Reject;
    });
    assert_eq!(clamp.refusals(examined), [RefusalCode::SafeToOperateContradicted]);
    assert_eq!(clamp.open(), ["pin_bent"], "pushed, it bars all the same");
}

#[test]
fn a_rejection_bars_whoever_made_it_and_however_incomplete() {
    let mut clamp = History::in_service(World::new(), "houston");
    let mut body = clamp.complete(InspectionKind::Frequent);
    body.findings = vec![crate::support::finding("pin_bent", Outcome::Reject)];
    let rejected = clamp.write("2025-01-10T15:00Z", "operator", body);
    let entry = clamp.entry_mut(rejected);
    (entry.signed, entry.placed) = (false, true);
    assert!(!clamp.is_fit("2025-01-10T15:00Z"));
    // Also against a criterion that no catalogue knows.
    let mut clamp = History::in_service(World::new(), "houston");
    inspect(&mut clamp, "2025-01-10T15:00Z", |body| {
        body.findings
            .push(crate::support::finding("chain_rusted", Outcome::Reject));
    });
    assert_eq!(clamp.open(), ["chain_rusted"]);
}
