//! What would make a clamp look better than it was shown to be: each such word counts only with proof, and bars or is
//! passed over without it.

use crate::support::{History, World, answer, at, day, id, kg, mm, release};
use clampward_domain::calendar::Interval;
use clampward_domain::entry::{Body, Confirmed, Declaration, ExaminationScheme};
use clampward_domain::ids::{EntryId, LockoutId, ModelId, lockout_id};
use clampward_domain::judge::RefusalCode;
use clampward_domain::particulars::{Particulars, particulars};
use clampward_domain::quantity::Range;
use clampward_domain::returns::UnmetCode;
use clampward_domain::words::{
    AmendmentField, CompetenceKind, Component, ExceptionalReason, Grade, Ground, InspectionKind,
    LockoutReason, Outcome, ServiceClass,
};
use serde_json::{Value, json};

/// With a second model of the same maker, rated for 5 t.
fn two_models() -> World {
    World::new().other_model("GF-5", |model| {
        model.wll = kg("5000");
        model.jaw_opening.max = mm("60");
    })
}
fn without_document(clamp: &mut History, amendment: EntryId) {
    if let Body::Amended(body) = &mut clamp.entry_mut(amendment).body {
        body.document = None;
    }
}
fn now(clamp: &History) -> Particulars {
    let state = clamp.state();
    particulars(&state, &clamp.world.reference, at("2025-02-01T15:00Z")).unwrap()
}
fn bigger_model() -> Value {
    json!(id::<ModelId>("GF-5"))
}
fn kilograms(value: &str) -> Value {
    json!({"value": value, "unit": "kg"})
}
fn settles(doubt: LockoutId, correction: EntryId) -> clampward_domain::entry::Release {
    let mut fit = release(doubt, Ground::InspectedFit);
    fit.correction_entry = Some(correction);
    fit
}

#[test]
fn another_model_without_proof_puts_the_rating_in_doubt_and_the_lowest_of_all_counts() {
    for (by, proven) in [("operator", true), ("inspector", false)] {
        let mut clamp = History::in_service(two_models(), "houston");
        let first = clamp.entries[0].id;
        let model = clamp.amended(
            "2025-01-05T15:00Z",
            by,
            first,
            AmendmentField::ModelId,
            bigger_model(),
        );
        if !proven {
            without_document(&mut clamp, model);
        }
        assert_eq!(clamp.open(), ["rating_in_doubt"]);
        assert_eq!(
            (now(&clamp).wll, now(&clamp).model_id),
            (Some(kg("3000")), id("GF-3"))
        );
    }
    // Registered as the bigger one, amended to the smaller: the smaller one counts as long as nobody shows which it is.
    let mut clamp = History::new(two_models(), "houston");
    let first = clamp.registered("2025-01-02T15:00Z", |body| body.model_id = id("GF-5"));
    let model = json!(id::<ModelId>("GF-3"));
    clamp.amended(
        "2025-01-05T15:00Z",
        "operator",
        first,
        AmendmentField::ModelId,
        model,
    );
    assert_eq!(now(&clamp).wll, Some(kg("3000")));
    assert_eq!(
        now(&clamp).jaw_opening,
        Some(Range {
            min: mm("0"),
            max: mm("40")
        })
    );
}

#[test]
fn a_qualified_person_with_the_makers_document_changes_the_model() {
    let mut clamp = History::in_service(two_models(), "houston");
    let first = clamp.entries[0].id;
    clamp.amended(
        "2025-01-05T15:00Z",
        "inspector",
        first,
        AmendmentField::ModelId,
        bigger_model(),
    );
    assert_eq!(clamp.open(), Vec::<String>::new());
    assert_eq!(
        (now(&clamp).wll, now(&clamp).model_id),
        (Some(kg("5000")), id("GF-5"))
    );
    // Known as qualified when it was written, not only afterwards.
    let mut clamp = History::in_service(two_models(), "houston");
    clamp.amended(
        "2025-01-05T15:00Z",
        "operator",
        first,
        AmendmentField::ModelId,
        bigger_model(),
    );
    clamp.world.grant(
        "operator",
        CompetenceKind::QualifiedPerson,
        None,
        "2025-01-06T15:00Z",
    );
    assert_eq!(clamp.open(), ["rating_in_doubt"]);
}

#[test]
fn a_plate_amended_to_what_the_model_says_is_one_more_opinion() {
    // The plate says less than the model: the registration itself is in doubt, and so is what raises it.
    let mut clamp = History::new(World::new(), "houston");
    let first = clamp.registered("2025-01-02T15:00Z", |body| body.wll = Some(kg("2000")));
    clamp.accepted("2025-01-03T15:00Z", "inspector", InspectionKind::Initial);
    clamp.amended(
        "2025-01-04T15:00Z",
        "operator",
        first,
        AmendmentField::Wll,
        kilograms("3000"),
    );
    assert_eq!(clamp.open(), ["rating_in_doubt", "rating_in_doubt"]);
    assert_eq!(now(&clamp).wll, Some(kg("2000")));
    // An unproven opinion that is lower still counts while the doubt lasts.
    clamp.amended(
        "2025-01-04T16:00Z",
        "operator",
        first,
        AmendmentField::Wll,
        kilograms("1000"),
    );
    assert_eq!(now(&clamp).wll, Some(kg("1000")));
}

#[test]
fn a_rating_doubt_is_settled_for_every_field_that_disagrees_by_later_amendments_of_the_doubted_entry() {
    let mut clamp = History::new(World::new(), "houston");
    let first = clamp.registered("2025-01-02T15:00Z", |body| {
        body.wll = Some(kg("3200"));
        body.jaw_opening = Some(Range {
            min: mm("0"),
            max: mm("50"),
        });
    });
    let initial = clamp.accepted("2025-01-03T15:00Z", "inspector", InspectionKind::Initial);
    let doubt = lockout_id(first, "rating_in_doubt", "");
    let wll = clamp.amended(
        "2025-01-04T15:00Z",
        "inspector",
        first,
        AmendmentField::Wll,
        kilograms("3200"),
    );
    let returned = clamp.returned("2025-01-05T15:00Z", "lead", vec![settles(doubt, wll)]);
    assert_eq!(
        clamp.unmet(returned),
        [UnmetCode::CorrectionMissing],
        "the jaw opening is still in doubt"
    );
    let range = json!({"min": {"value": "0", "unit": "mm"}, "max": {"value": "50", "unit": "mm"}});
    clamp.amended(
        "2025-01-04T16:00Z",
        "inspector",
        first,
        AmendmentField::JawOpening,
        range,
    );
    assert_eq!(clamp.unmet(returned), []);
    assert!(clamp.is_fit("2025-01-05T15:00Z"));
    // Cites something else than the doubted entry.
    let mut other = clamp.clone();
    if let Body::Amended(body) = &mut other.entry_mut(wll).body {
        body.cites = initial;
    }
    assert_eq!(other.unmet(returned), [UnmetCode::CorrectionMissing]);
    // Told of a time before it.
    clamp.entry_mut(wll).counted_at = at("2025-01-01T15:00Z");
    assert_eq!(clamp.unmet(returned), [UnmetCode::CorrectionMissing]);
    assert!(clamp.is_open(doubt));
}

#[test]
fn a_doubt_about_the_model_is_settled_by_the_model_and_no_other_field() {
    let mut clamp = History::in_service(two_models(), "houston");
    let first = clamp.entries[0].id;
    let claim = clamp.amended(
        "2025-01-05T15:00Z",
        "operator",
        first,
        AmendmentField::ModelId,
        bigger_model(),
    );
    let doubt = lockout_id(claim, "rating_in_doubt", "");
    let wll = clamp.amended(
        "2025-01-06T15:00Z",
        "inspector",
        claim,
        AmendmentField::Wll,
        kilograms("3000"),
    );
    let returned = clamp.returned("2025-01-07T15:00Z", "lead", vec![settles(doubt, wll)]);
    assert_eq!(clamp.unmet(returned), [UnmetCode::CorrectionMissing]);
    clamp.forget(returned);
    let model = json!(id::<ModelId>("GF-3"));
    let model = clamp.amended(
        "2025-01-06T16:00Z",
        "inspector",
        claim,
        AmendmentField::ModelId,
        model,
    );
    clamp.returned("2025-01-07T15:00Z", "lead", vec![settles(doubt, model)]);
    assert!(clamp.is_fit("2025-01-07T15:00Z"));
    assert_eq!(now(&clamp).wll, Some(kg("3000")));
}

#[test]
fn a_number_in_doubt_is_not_settled_by_what_was_written_before() {
    let mut clamp = History::in_service(World::new(), "houston");
    let first = clamp.entries[0].id;
    let serial = AmendmentField::SerialNumber;
    let before = clamp.amended("2025-01-05T15:00Z", "inspector", first, serial, json!("7742"));
    let doubt = clamp.tagged_out("2025-01-06T15:00Z", "operator", LockoutReason::NumberInDoubt);
    let opened_by = clamp.entries.last().unwrap().id;
    let returned = clamp.returned("2025-01-08T15:00Z", "lead", vec![settles(doubt, before)]);
    assert_eq!(clamp.unmet(returned), [UnmetCode::CorrectionMissing]);
    let after = clamp.amended("2025-01-07T15:00Z", "inspector", opened_by, serial, json!("7742"));
    clamp.releases_mut(returned)[0].correction_entry = Some(after);
    assert_eq!(clamp.unmet(returned), []);
}

#[test]
fn overload_is_reckoned_from_the_lowest_rating_of_every_registration_and_model() {
    let mut clamp = History::in_service(two_models(), "houston");
    let first = clamp.entries[0].id;
    clamp.amended(
        "2025-01-05T15:00Z",
        "inspector",
        first,
        AmendmentField::Wll,
        kilograms("2000"),
    );
    clamp.used("2025-01-06T10:00Z", "2025-01-06T12:00Z", |body| {
        body.heaviest_load = Some(kg("2500"))
    });
    assert_eq!(clamp.open(), ["overload_or_misuse_suspected"]);
}

#[test]
fn a_scheme_that_lengthens_and_a_declaration_that_prolongs_count_only_with_proof() {
    let scheme = |months| {
        json!(ExaminationScheme {
            interval: Interval::Months(months),
            valid_from: day("2025-01-01"),
            drawn_up_by: "a competent person".to_owned(),
            document: None,
        })
    };
    let due = |by: &str, months, document: bool| {
        let mut clamp = History::new(World::new(), "leith");
        let first = clamp.registered("2025-03-14T10:00Z", |_| {});
        let field = AmendmentField::ExaminationScheme;
        let amendment = clamp.amended("2025-03-14T12:00Z", by, first, field, scheme(months));
        if !document {
            without_document(&mut clamp, amendment);
        }
        clamp.examined("2025-03-15T10:00Z", |_| {});
        clamp.standing("2025-03-15T10:00Z").due.periodic.unwrap().on
    };
    assert_eq!(due("inspector", 9, true), Some(day("2025-12-15")));
    assert_eq!(due("inspector", 9, false), Some(day("2025-09-15")));
    assert_eq!(due("operator", 9, true), Some(day("2025-09-15")));
    // What shortens counts from anybody.
    assert_eq!(due("operator", 3, false), Some(day("2025-06-15")));

    let declared = |by: &str, made_on: &str| {
        let mut clamp = History::new(World::new(), "leith");
        let first = clamp.registered("2024-06-01T10:00Z", |body| {
            body.never_used_before = Some(true);
            body.declaration = Some(Declaration {
                made_on: day("2024-03-01"),
                document: None,
            });
        });
        let value = json!({ "made_on": made_on });
        clamp.amended("2024-06-02T10:00Z", by, first, AmendmentField::Declaration, value);
        clamp.is_fit("2025-03-10T10:00Z")
    };
    assert!(declared("inspector", "2024-04-01"));
    assert!(!declared("operator", "2024-04-01"));
}

#[test]
fn a_clamp_was_put_into_service_on_the_earliest_day_ever_claimed() {
    let put = |by: &str, registered: &str, amended: &str| {
        let mut clamp = History::new(World::new(), "leith");
        let first = clamp.registered("2024-06-01T10:00Z", |body| {
            body.never_used_before = Some(true);
            body.declaration = Some(Declaration {
                made_on: day("2024-03-01"),
                document: None,
            });
            body.put_into_service_on = Some(day(registered));
        });
        let field = AmendmentField::PutIntoServiceOn;
        clamp.amended("2024-06-02T10:00Z", by, first, field, json!(amended));
        clamp
    };
    let due = |clamp: &History| clamp.standing("2024-07-01T10:00Z").due.periodic.unwrap().on;
    assert_eq!(
        due(&put("inspector", "2024-06-10", "2024-09-10")),
        Some(day("2024-12-10"))
    );
    assert_eq!(
        due(&put("operator", "2024-06-10", "2024-06-05")),
        Some(day("2024-12-05"))
    );
    // An earlier day that nobody shows does not make an exemption of what is none.
    assert!(!put("operator", "2025-04-01", "2025-02-01").is_fit("2025-03-10T10:00Z"));
    assert!(put("inspector", "2025-04-01", "2025-02-01").is_fit("2025-03-10T10:00Z"));
}

#[test]
fn a_dated_defect_ends_with_the_legal_interval_whatever_next_date_the_examiner_writes() {
    let mut clamp = History::new(World::new(), "leith");
    clamp.registered("2025-03-14T10:00Z", |_| {});
    clamp.examined("2025-03-15T10:00Z", |body| {
        body.next_latest_date = Some(day("2026-03-15"));
        let finding = answer(body, "pin_bent");
        finding.outcome = Outcome::Reject;
        finding.grade = Some(Grade::DangerBy);
        finding.by_date = Some(day("2025-09-16"));
    });
    assert!(!clamp.is_fit("2025-03-15T12:00Z"));
}

#[test]
fn leaving_special_service_needs_the_safety_role() {
    let left = |by: &str| {
        let mut clamp = History::new(World::new(), "houston");
        let first = clamp.registered("2025-01-02T15:00Z", |body| {
            body.service_class = ServiceClass::Special
        });
        clamp.accepted("2025-01-03T15:00Z", "inspector", InspectionKind::Initial);
        let class = clamp.classified("2025-01-04T15:00Z", by, ServiceClass::Normal, Some(first), None);
        (clamp.state().service_classes().len(), clamp.refusals(class))
    };
    assert_eq!(left("lead"), (2, vec![RefusalCode::MilderClass]));
    assert_eq!(left("safety"), (1, vec![]));
}

#[test]
fn a_report_without_lifts_is_no_use_and_closes_no_gap() {
    let idle = |lifts| {
        let world = World::new().yard("houston", |yard| yard.records_use = true);
        let mut clamp = History::in_service(world, "houston");
        clamp.used("2025-01-05T10:00Z", "2025-01-05T12:00Z", |_| {});
        clamp.used("2025-01-25T10:00Z", "2025-01-25T12:00Z", |body| {
            body.lifts = lifts
        });
        clamp.state().uses.spans.last().unwrap().last
    };
    assert_eq!(idle(1), day("2025-01-25"));
    assert_eq!(idle(0), day("2025-01-05"));
}

/// Worn below its limit, worked on without a new part or with one, looked at again, returned.
fn mended(parts: bool, after: Option<&str>) -> (History, EntryId) {
    let mut clamp = History::in_service(World::new(), "houston");
    let mut body = clamp.complete(InspectionKind::Periodic);
    answer(&mut body, "shackle_eye_worn").measured = Some(mm("26.50"));
    let worn = lockout_id(
        clamp.write("2025-01-10T15:00Z", "inspector", body),
        "shackle_eye_worn",
        "",
    );
    let repair = clamp.repaired("2025-01-11T15:00Z", "technician", Component::Shackle, &[worn]);
    if !parts {
        clamp.repair_mut(repair).parts.clear();
    }
    let inspection = clamp.reinspected("2025-01-12T15:00Z", "inspector", repair);
    answer(clamp.inspection_mut(inspection), "shackle_eye_worn").measured = after.map(mm);
    let mut of_finding = release(worn, Ground::Repaired);
    (of_finding.repair_entry, of_finding.inspection_entry) = (Some(repair), Some(inspection));
    let mut of_repair = release(clamp.not_reinspected(repair), Ground::Reinspected);
    of_repair.inspection_entry = Some(inspection);
    let returned = clamp.returned("2025-01-13T15:00Z", "lead", vec![of_finding, of_repair]);
    (clamp, returned)
}

#[test]
fn what_was_measured_as_worn_and_not_renewed_is_measured_again() {
    let unmet = |parts, after| {
        let (clamp, returned) = mended(parts, after);
        clamp.unmet(returned)
    };
    assert_eq!(unmet(true, None), []);
    assert_eq!(unmet(false, None), [UnmetCode::CriterionNotAccepted]);
    // A part that was not renewed does not grow.
    assert_eq!(unmet(false, Some("29.50")), [UnmetCode::InspectionNotCredited]);
    assert_eq!(unmet(true, Some("29.50")), []);
}

#[test]
fn a_back_dated_return_still_names_every_lock_out_that_is_open_now() {
    let (mut clamp, returned) = mended(true, None);
    clamp.tagged_out("2025-01-14T15:00Z", "operator", LockoutReason::Dropped);
    assert_eq!(clamp.unmet(returned), [UnmetCode::LockoutNotNamed]);
}

#[test]
fn a_return_that_waits_asks_for_the_evidence_of_all_its_releases() {
    let (mut clamp, returned) = mended(true, None);
    let test = EntryId::new(uuid::Uuid::from_u128(7));
    clamp.releases_mut(returned)[1].proof_test_entry = Some(test);
    let mut state = clamp.state();
    let entry = clamp.entry(returned).clone();
    let last = clamp.entry(clamp.entries[0].id).clone();
    let Body::ReturnedToService(body) = &entry.body else {
        panic!()
    };
    let waiting = clampward_domain::fold::Waiting {
        releases: vec![body.releases[0].clone()],
        entry,
        signer_holds_clamp: false,
        yards: Vec::new(),
    };
    state.waiting.insert(returned, waiting);
    assert!(state.needs(&last).entries.contains(&test));
}

#[test]
fn only_a_return_or_an_undone_retirement_is_confirmed() {
    let (mut clamp, returned) = mended(true, None);
    let first = clamp.entries[0].id;
    let wrong = clamp.write("2025-01-14T15:00Z", "safety", Confirmed { confirms: first });
    assert_eq!(clamp.refusals(wrong), [RefusalCode::CitesUnknown]);
    let right = clamp.write("2025-01-14T16:00Z", "safety", Confirmed { confirms: returned });
    assert_eq!(clamp.refusals(right), []);
}

#[test]
fn two_registrations_stand_side_by_side_and_put_the_identity_in_doubt() {
    let mut clamp = History::in_service(World::new(), "houston");
    clamp.registered("2025-01-01T15:00Z", |body| {
        body.yard_id = id("emden");
        body.service_class = ServiceClass::Severe;
        body.wll = Some(kg("3000"));
    });
    assert_eq!(clamp.open(), ["identity_in_doubt"]);
    assert_eq!(clamp.state().yards().len(), 2);
    assert_eq!(
        clamp.state().service_classes(),
        [ServiceClass::Normal, ServiceClass::Severe]
    );
}

#[test]
fn an_exceptional_inspection_does_not_follow_the_return_that_rests_on_it() {
    let returned_at = |when: &str| {
        let mut clamp = History::in_service(World::new(), "houston");
        let dropped = clamp.tagged_out("2025-01-10T15:00Z", "operator", LockoutReason::Dropped);
        let seen = clamp.inspected_for(
            "2025-01-11T15:00Z",
            "inspector",
            ExceptionalReason::Drop,
            &[dropped],
        );
        let mut fit = release(dropped, Ground::InspectedFit);
        fit.inspection_entry = Some(seen);
        clamp.returned(when, "lead", vec![fit]);
        clamp.is_open(dropped)
    };
    assert!(
        !returned_at("2025-01-11T14:55Z"),
        "a clock that runs a little slow"
    );
    assert!(returned_at("2025-01-11T14:54Z"));
    assert!(returned_at("2025-01-10T14:54Z"));
}

#[test]
fn an_exemption_and_a_longer_scheme_rest_on_a_registration_that_somebody_signed() {
    let exempt = |signed: bool| {
        let mut clamp = History::new(World::new(), "leith");
        let first = clamp.registered("2024-06-01T10:00Z", |body| {
            body.never_used_before = Some(true);
            body.declaration = Some(Declaration {
                made_on: day("2024-03-01"),
                document: None,
            });
        });
        clamp.entry_mut(first).signed = signed;
        clamp.is_fit("2024-07-01T10:00Z")
    };
    assert!(exempt(true));
    assert!(!exempt(false));
    let due = |signed: bool, months: u16| {
        let mut clamp = History::new(World::new(), "leith");
        let first = clamp.registered("2025-03-14T10:00Z", |body| {
            body.examination_scheme = Some(ExaminationScheme {
                interval: Interval::Months(months),
                valid_from: day("2025-01-01"),
                drawn_up_by: "a competent person".to_owned(),
                document: None,
            });
        });
        clamp.entry_mut(first).signed = signed;
        clamp.examined("2025-03-15T10:00Z", |_| {});
        clamp.standing("2025-03-15T10:00Z").due.periodic.unwrap().on
    };
    assert_eq!(due(true, 12), Some(day("2026-03-15")));
    assert_eq!(due(false, 12), Some(day("2025-09-15")));
    // What shortens counts from anybody.
    assert_eq!(due(false, 3), Some(day("2025-06-15")));
}
