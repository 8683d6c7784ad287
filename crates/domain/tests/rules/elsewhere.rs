//! Whatever was judged by a yard where the clamp was not by then, or by a model that it is not, restricts as it says and
//! counts for nothing else. Which it is follows from the whole set: a transfer that is recorded late is there all the same.

use crate::support::{History, World, answer, at, id, mm, release};
use clampward_domain::crediting::NotCreditedCode;
use clampward_domain::entry::Body;
use clampward_domain::fold::{Elsewhere, fold};
use clampward_domain::ids::{EntryId, ModelId};
use clampward_domain::judge::RemarkCode;
use clampward_domain::reference::YardScope;
use clampward_domain::returns::UnmetCode;
use clampward_domain::words::{
    AmendmentField, Component, ExceptionalReason, Grade, Ground, InspectionKind, LockoutReason, Outcome,
    RuleSetName, ServiceClass,
};
use serde_json::json;

/// With a second model, whose eye is stronger when new.
fn two_models() -> World {
    World::new().other_model("GF-4", |model| model.wear_points[0].nominal = mm("36.0"))
}

fn not_credited(clamp: &History, inspection: EntryId) -> Vec<NotCreditedCode> {
    let outcome = clamp.judge(inspection).outcome;
    outcome.not_credited.iter().map(|why| why.code).collect()
}

fn remarks(clamp: &History, entry: EntryId) -> Vec<RemarkCode> {
    let outcome = clamp.judge(entry).outcome;
    outcome.remarks.iter().map(|remark| remark.code).collect()
}

#[test]
fn an_inspection_judged_by_a_yard_where_the_clamp_never_was_is_not_credited_and_says_why() {
    let mut clamp = History::in_service(World::new(), "houston");
    clamp.now_in("emden");
    let inspection = clamp.accepted("2025-01-20T15:00Z", "inspector", InspectionKind::Frequent);
    assert_eq!(
        not_credited(&clamp, inspection),
        vec![NotCreditedCode::JudgedElsewhere]
    );
    assert!(remarks(&clamp, inspection).contains(&RemarkCode::JudgedElsewhere));
    let frequent = clamp.state().clocks.frequent.unwrap();
    assert_ne!(frequent.entry, inspection);
    assert_eq!(frequent.rule_set, RuleSetName::UsB3020);
}

#[test]
fn a_transfer_that_was_recorded_late_makes_no_difference_if_the_clamp_was_there_by_then() {
    let mut clamp = History::in_service(World::new(), "houston");
    clamp.now_in("leith");
    let inspection = clamp.accepted("2025-01-20T15:00Z", "inspector", InspectionKind::Frequent);
    assert_eq!(
        not_credited(&clamp, inspection),
        vec![NotCreditedCode::JudgedElsewhere]
    );
    clamp.now_in("houston");
    clamp.transferred("2025-01-20T14:59Z", "leith", None);
    let frequent = clamp.state().clocks.frequent.unwrap();
    assert_eq!(
        (frequent.entry, frequent.rule_set),
        (inspection, RuleSetName::GbLoler)
    );
    // In whatever order they come.
    let mut other = clamp.entries.clone();
    other.reverse();
    assert_eq!(clamp.state(), fold(clamp.clamp, &other, &clamp.world.reference));
}

#[test]
fn a_transfer_that_came_after_the_inspection_does_not_credit_it() {
    let mut clamp = History::in_service(World::new(), "houston");
    clamp.now_in("leith");
    let inspection = clamp.accepted("2025-01-20T15:00Z", "inspector", InspectionKind::Frequent);
    clamp.transferred("2025-01-20T15:01Z", "leith", None);
    assert_eq!(
        not_credited(&clamp, inspection),
        vec![NotCreditedCode::JudgedElsewhere]
    );
    assert_ne!(clamp.state().clocks.frequent.unwrap().entry, inspection);
}

#[test]
fn what_was_inspected_before_somebody_wrote_the_registration_is_credited() {
    let mut clamp = History::new(World::new(), "houston");
    let inspection = clamp.accepted("2025-01-02T14:00Z", "inspector", InspectionKind::Initial);
    clamp.registered("2025-01-02T15:00Z", |_| {});
    assert_eq!(clamp.state().clocks.periodic.unwrap().entry, inspection);
}

#[test]
fn a_rejection_judged_elsewhere_bars_like_any_other() {
    let mut clamp = History::in_service(World::new(), "houston");
    clamp.now_in("emden");
    let lockout = clamp.rejected("2025-01-20T15:00Z", "inspector", "body_plate_cracked");
    assert!(clamp.is_open(lockout));
    let tag = clamp.tagged_out("2025-01-20T15:01Z", "operator", LockoutReason::Dropped);
    assert!(clamp.is_open(tag));
    assert!(!clamp.is_fit("2025-01-20T16:00Z"));
}

#[test]
fn a_date_for_a_defect_counts_only_under_the_rules_of_a_yard_where_the_clamp_was() {
    // LOLER 1998 reg. 10(3)(b) lets an examiner give a defect a time; elsewhere the same finding bars at once.
    let dated = |yard_first: bool| {
        let mut clamp = History::in_service(World::new(), "houston");
        if yard_first {
            clamp.transferred("2025-01-20T10:00Z", "leith", None);
        }
        clamp.now_in("leith");
        let mut body = clamp.complete(InspectionKind::Frequent);
        let finding = answer(&mut body, "body_plate_cracked");
        finding.outcome = Outcome::Reject;
        finding.grade = Some(Grade::DangerBy);
        finding.by_date = Some(crate::support::day("2025-02-01"));
        clamp.write("2025-01-20T15:00Z", "inspector", body);
        let state = clamp.state();
        let open = state.open_lockouts();
        assert_eq!(open.len(), 1);
        open[0].bars_at(at("2025-01-20T16:00Z"))
    };
    assert!(!dated(true));
    assert!(dated(false));
}

#[test]
fn a_return_signed_by_the_lead_of_a_yard_where_the_clamp_never_was_releases_nothing() {
    let mut clamp = History::in_service(World::new(), "houston");
    let tag = clamp.tagged_out("2025-01-20T15:00Z", "operator", LockoutReason::Dropped);
    let inspection = clamp.inspected_for("2025-01-20T16:00Z", "inspector", ExceptionalReason::Shock, &[tag]);
    clamp.now_in("emden");
    let mut fit = release(tag, Ground::InspectedFit);
    fit.inspection_entry = Some(inspection);
    let returned = clamp.returned("2025-01-20T17:00Z", "lead", vec![fit]);
    assert_eq!(clamp.unmet(returned), vec![UnmetCode::JudgedElsewhere]);
    assert!(clamp.is_open(tag));
    // Had it come there before, the lead's word counts.
    clamp.now_in("houston");
    clamp.transferred("2025-01-20T16:30Z", "emden", None);
    assert!(!clamp.is_open(tag));
}

#[test]
fn repair_and_inspection_judged_elsewhere_support_no_return() {
    let supported = |repaired_in: &str, inspected_in: &str| {
        let mut clamp = History::in_service(World::new(), "houston");
        let lockout = clamp.rejected("2025-01-20T15:00Z", "inspector", "lock_does_not_hold");
        clamp.now_in(repaired_in);
        let component = clampward_domain::criteria::criterion("lock_does_not_hold")
            .unwrap()
            .component;
        let repair = clamp.repaired("2025-01-21T15:00Z", "technician", component, &[lockout]);
        clamp.now_in(inspected_in);
        let inspection = clamp.reinspected("2025-01-22T15:00Z", "other_inspector", repair);
        clamp.now_in("houston");
        let mut of_finding = release(lockout, Ground::Repaired);
        (of_finding.repair_entry, of_finding.inspection_entry) = (Some(repair), Some(inspection));
        clamp.returned("2025-01-23T15:00Z", "lead", vec![of_finding]);
        !clamp.is_open(lockout)
    };
    assert!(supported("houston", "houston"));
    assert!(!supported("erie", "houston"));
    assert!(!supported("houston", "erie"));
}

#[test]
fn nobodys_milder_class_direction_or_rating_counts_from_a_yard_where_the_clamp_never_was() {
    let mut clamp = History::in_service(World::new(), "houston");
    let registration = clamp.entries[0].id;
    let harder = clamp.classified(
        "2025-01-10T15:00Z",
        "safety",
        ServiceClass::Severe,
        Some(registration),
        None,
    );
    clamp.now_in("emden");
    clamp.classified(
        "2025-01-11T15:00Z",
        "safety",
        ServiceClass::Normal,
        Some(harder),
        None,
    );
    assert!(clamp.state().service_classes().contains(&ServiceClass::Severe));
    let rating = clamp.amended(
        "2025-01-12T15:00Z",
        "inspector",
        registration,
        AmendmentField::Wll,
        json!({"value": "5000", "unit": "kg"}),
    );
    let state = clamp.state();
    assert!(!state.proven.contains(&rating));
    assert_eq!(state.elsewhere(clamp.entry(rating)), Some(Elsewhere::Yard));
    // The same from where it is.
    clamp.now_in("houston");
    let rating = clamp.amended(
        "2025-01-13T15:00Z",
        "inspector",
        registration,
        AmendmentField::Wll,
        json!({"value": "5000", "unit": "kg"}),
    );
    assert!(clamp.state().proven.contains(&rating));
}

#[test]
fn a_model_that_the_clamp_is_not_shown_to_be_credits_nothing_and_a_proven_amendment_changes_which_it_is() {
    let mut clamp = History::in_service(two_models(), "houston");
    let registration = clamp.entries[0].id;
    let by = |clamp: &mut History, when: &str, model: &str| {
        let inspection = clamp.accepted(when, "inspector", InspectionKind::Frequent);
        clamp.entry_mut(inspection).judged_by.model_id = id(model);
        inspection
    };
    let before = by(&mut clamp, "2025-01-10T15:00Z", "GF-3");
    let early = by(&mut clamp, "2025-01-11T15:00Z", "GF-4");
    assert_eq!(not_credited(&clamp, before), vec![]);
    assert_eq!(
        not_credited(&clamp, early),
        vec![NotCreditedCode::JudgedElsewhere]
    );
    let plate = clamp.amended(
        "2025-01-12T15:00Z",
        "inspector",
        registration,
        AmendmentField::ModelId,
        json!(id::<ModelId>("GF-4")),
    );
    let stale = by(&mut clamp, "2025-01-13T15:00Z", "GF-3");
    let right = by(&mut clamp, "2025-01-14T15:00Z", "GF-4");
    for (inspection, against) in [
        (before, vec![]),
        (early, vec![]),
        (stale, vec![NotCreditedCode::JudgedElsewhere]),
        (right, vec![]),
    ] {
        assert_eq!(not_credited(&clamp, inspection), against);
    }
    // Without the maker's document it is one more opinion.
    if let Body::Amended(body) = &mut clamp.entry_mut(plate).body {
        body.document = None;
    }
    assert_eq!(
        not_credited(&clamp, right),
        vec![NotCreditedCode::JudgedElsewhere]
    );
    assert_eq!(not_credited(&clamp, stale), vec![]);
}

#[test]
fn a_state_that_was_kept_before_places_were_noted_is_folded_again_before_it_goes_on() {
    let clamp = History::in_service(World::new(), "houston");
    let mut kept = serde_json::to_value(clamp.state()).unwrap();
    kept.as_object_mut().unwrap().remove("shown");
    let kept: clampward_domain::fold::ClampState = serde_json::from_value(kept).unwrap();
    let mut later = clamp.clone();
    let repair = later.repaired("2025-01-20T15:00Z", "technician", Component::Shackle, &[]);
    assert!(!kept.can_apply(later.entry(repair)));
    assert!(clamp.state().can_apply(later.entry(repair)));
}

#[test]
fn nobody_fetches_a_clamp_by_saying_that_it_is_theirs() {
    let mut clamp = History::in_service(World::new(), "houston");
    let first = clamp.entries[0].id;
    clamp.now_in("leith");
    clamp.transferred("2025-01-20T15:00Z", "leith", Some(first));
    let mut both = vec![id("houston"), id("leith")];
    both.sort_unstable();
    assert_eq!(clamp.state().yards(), both);
    let inspection = clamp.accepted("2025-01-20T15:01Z", "inspector", InspectionKind::Periodic);
    assert_eq!(
        not_credited(&clamp, inspection),
        vec![NotCreditedCode::JudgedElsewhere]
    );
}

#[test]
fn while_its_place_is_in_doubt_a_return_is_signed_by_somebody_of_every_yard_that_has_it() {
    for (of, supported) in [(vec!["leith"], false), (vec!["leith", "houston"], true)] {
        let mut world = World::new();
        let yards = of.into_iter().map(id).collect();
        world.person_mut("lead").grants[0].yards = YardScope::Some(yards);
        let mut clamp = History::in_service(world, "houston");
        let hold = clamp.tagged_out("2025-01-10T15:00Z", "operator", LockoutReason::Precaution);
        let inspection = clamp.inspected_for(
            "2025-01-11T15:00Z",
            "inspector",
            ExceptionalReason::Precaution,
            &[hold],
        );
        // Registered in a second yard, too, by somebody there.
        clamp.now_in("leith");
        let again = clamp.registered("2025-01-12T15:00Z", |_| {});
        assert_eq!(clamp.state().yards().len(), 2);
        let mut fit = release(hold, Ground::InspectedFit);
        fit.inspection_entry = Some(inspection);
        let returned = clamp.returned("2025-01-13T15:00Z", "lead", vec![fit]);
        assert_eq!(
            clamp.unmet(returned).contains(&UnmetCode::SignerRole),
            !supported,
            "{again}"
        );
        assert_eq!(clamp.is_open(hold), !supported);
    }
}

#[test]
fn a_reading_within_the_limit_of_another_model_bars_by_the_clamps_own() {
    // An eye of 30 mm when new is as good as new at 29.4 mm; one of 36 mm has lost more than a sixth.
    let mut clamp = History::in_service(two_models(), "houston");
    let registration = clamp.entries[0].id;
    clamp.amended(
        "2025-01-12T15:00Z",
        "inspector",
        registration,
        AmendmentField::ModelId,
        json!(id::<ModelId>("GF-4")),
    );
    let mut body = clamp.complete(InspectionKind::Frequent);
    answer(&mut body, "shackle_eye_worn").measured = Some(mm("29.4"));
    let stale = clamp.write("2025-01-13T15:00Z", "inspector", body);
    assert_eq!(clamp.entry(stale).judged_by.model_id, id("GF-3"));
    assert_eq!(
        not_credited(&clamp, stale),
        vec![NotCreditedCode::JudgedElsewhere]
    );
    assert_eq!(clamp.open(), ["shackle_eye_worn"]);
}

#[test]
fn so_does_one_from_before_the_registration() {
    let mut clamp = History::new(two_models(), "houston");
    let mut body = clamp.complete(InspectionKind::Initial);
    answer(&mut body, "shackle_eye_worn").measured = Some(mm("29.4"));
    let early = clamp.write("2025-01-02T14:00Z", "inspector", body);
    clamp.registered("2025-01-02T15:00Z", |body| body.model_id = id("GF-4"));
    assert_eq!(clamp.entry(early).judged_by.model_id, id("GF-3"));
    assert_eq!(clamp.open(), ["shackle_eye_worn"]);
}

#[test]
fn from_a_yard_where_the_clamp_never_was_no_mark_is_changed_and_a_rating_is_in_doubt() {
    let mut clamp = History::in_service(World::new(), "houston");
    let registration = clamp.entries[0].id;
    let mark = clamp.state().asset_mark();
    clamp.now_in("emden");
    clamp.amended(
        "2025-01-10T15:00Z",
        "safety",
        registration,
        AmendmentField::AssetMark,
        json!("HMW-0099"),
    );
    assert_eq!(clamp.state().asset_mark(), mark);
    clamp.amended(
        "2025-01-11T15:00Z",
        "inspector",
        registration,
        AmendmentField::Wll,
        json!({"value": "2000", "unit": "kg"}),
    );
    assert_eq!(clamp.open(), ["rating_in_doubt"]);
    // It had come there before: both are what somebody of its yard wrote.
    clamp.now_in("houston");
    clamp.transferred("2025-01-09T15:00Z", "emden", None);
    assert_eq!(clamp.state().asset_mark().as_deref(), Some("HMW-0099"));
    assert_eq!(clamp.open(), [""; 0]);
}
