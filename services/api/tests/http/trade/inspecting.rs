//! What an inspection counts for.

use super::bodies::*;
use super::entries::opened;
use super::fleet::{Fleet, kg, mm, with};
use serde_json::json;

#[actix_web::test]
async fn an_inspection_under_a_lapsed_competence_is_recorded_not_credited_and_says_so() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let lapsed = fleet
        .person("Per Ek", &["inspector"], &json!([fleet.newport]))
        .await;
    fleet
        .competent(&lapsed, "qualified_person", json!({"valid_until": "2025-03-16"}))
        .await;
    let frequent_due =
        async || fleet.clamp(&fleet.keeper, &clamp).await.body["due"]["frequent"]["on"].clone();
    fleet.at("2025-03-17T14:00:00Z");
    let inspected = fleet
        .inspect(&lapsed, &clamp, accepted("frequent"))
        .await
        .succeeded(201);
    assert_eq!(inspected.body["result"]["credited"], false);
    assert_eq!(inspected.body["result"]["verdict"], "accepted");
    assert_eq!(
        inspected.body["result"]["not_credited"][0]["code"],
        "not_competent"
    );
    assert!(
        inspected
            .text("/result/not_credited/0/detail")
            .contains("2025-03-17")
    );
    assert_eq!(frequent_due().await, "2025-04-14", "the clock runs on");
    // On the last day it was valid, also when it is written down later.
    let on_the_last_day = with(
        accepted("frequent"),
        &json!({"performed_at": "2025-03-17T03:59:59Z"}),
    );
    let inspected = fleet
        .inspect(&lapsed, &clamp, on_the_last_day)
        .await
        .succeeded(201);
    assert_eq!(
        inspected.body["result"]["credited"], true,
        "it is still the 16th at Newport"
    );
    assert_eq!(frequent_due().await, "2025-04-16");
    let rejecting = finding(accepted("frequent"), "pin_bent", json!({"outcome": "reject"}));
    fleet.inspect(&lapsed, &clamp, rejecting).await.succeeded(201);
    assert_eq!(
        fleet.reasons(&clamp).await,
        ["tagged_out"],
        "what restricts needs no competence"
    );
    fleet.stop().await;
}

#[actix_web::test]
async fn an_inspection_that_leaves_out_mandatory_criteria_is_incomplete_and_names_them() {
    let fleet = Fleet::start().await;
    let clamp = fleet.new_clamp("1").await;
    let mut partial = finding(accepted("initial"), "shackle_cracked", serde_json::Value::Null);
    partial = finding(partial, "spring_missing", json!({"outcome": "not_checked"}));
    partial = finding(
        partial,
        "swivel_does_not_turn",
        json!({"outcome": "not_applicable"}),
    );
    let inspected = fleet
        .inspect(&fleet.inspector, &clamp, partial)
        .await
        .succeeded(201);
    assert_eq!(inspected.body["result"]["verdict"], "incomplete");
    assert_eq!(inspected.body["result"]["credited"], false);
    let why = inspected.text("/result/not_credited/0/detail");
    for criterion in ["shackle_cracked", "spring_missing", "swivel_does_not_turn"] {
        assert!(why.contains(criterion), "{why}");
    }
    assert_eq!(fleet.reasons(&clamp).await, ["awaiting_initial_inspection"]);
    fleet.stop().await;
}

// Source: LOLER 1998 reg. 10(3)(b) and Schedule 1 para 8(c): a defect that becomes a danger by a date.
#[actix_web::test]
async fn a_defect_with_a_date_bars_after_that_day_in_the_yards_zone_and_a_past_date_bars_at_once() {
    let fleet = Fleet::start().await;
    // Twenty past midnight on 11 June in London; the 10th in UTC.
    fleet.at("2025-06-10T23:20:00Z");
    let by = |day: &str| json!({"outcome": "reject", "grade": "danger_by", "by_date": day});
    let mut clamps = Vec::new();
    for (number, day, grade) in [
        ("1", "2025-06-10", "danger"),
        ("2", "2025-06-11", "danger_by"),
        ("3", "2025-06-12", "danger_by"),
    ] {
        let id = fleet.new_id();
        let registration = with(
            fleet.registration(&id, number),
            &json!({"yard_id": fleet.clydebank}),
        );
        fleet.register(&fleet.stranger, registration).await.succeeded(201);
        let examination = with(
            finding(accepted("periodic"), "pin_bent", by(day)),
            &json!({"basis": "first_use"}),
        );
        let examined = fleet
            .inspect(&fleet.stranger, &id, examination)
            .await
            .succeeded(201);
        assert_eq!(examined.body["result"]["opened"][0]["grade"], grade);
        assert_eq!(examined.body["result"]["credited"], grade == "danger_by");
        clamps.push(id);
    }
    let barred = async |clamp: &str| fleet.reasons(clamp).await.contains(&"tagged_out".to_owned());
    let fit_until = async |clamp: &str| fleet.fitness(&fleet.stranger, clamp).await.body["fit_until"].clone();
    assert!(barred(&clamps[0]).await, "yesterday");
    assert_eq!(
        fit_until(&clamps[1]).await,
        "2025-06-11T23:00:00Z",
        "through today"
    );
    assert_eq!(
        fit_until(&clamps[2]).await,
        "2025-06-12T23:00:00Z",
        "through tomorrow"
    );
    for (instant, today, tomorrow) in [
        ("2025-06-11T22:59:59Z", false, false),
        ("2025-06-11T23:00:00Z", true, false),
        ("2025-06-12T22:59:59Z", true, false),
        ("2025-06-12T23:00:00Z", true, true),
    ] {
        fleet.at(instant);
        assert_eq!(barred(&clamps[1]).await, today, "{instant}");
        assert_eq!(barred(&clamps[2]).await, tomorrow, "{instant}");
    }
    // Nobody dates a danger under the American rules.
    let clamp = fleet.fit_clamp("4").await;
    let dated = finding(accepted("frequent"), "pin_bent", by("2025-06-20"));
    let rejected = fleet
        .inspect(&fleet.inspector, &clamp, dated)
        .await
        .succeeded(201);
    assert_eq!(rejected.body["result"]["opened"][0]["grade"], "danger");
    fleet.stop().await;
}

// Source: ASME B30.20-2013, 20-1.3.5: not in regular use for a month, and for a year.
#[actix_web::test]
async fn in_special_service_an_idle_month_asks_for_a_frequent_inspection_and_an_idle_year_for_a_periodic_one()
{
    let fleet = Fleet::start().await;
    let id = fleet.new_id();
    let special = json!({"service_class": "special", "direction": {"frequent": "P18M", "periodic": "P24M"}});
    fleet
        .register(&fleet.lead, with(fleet.registration(&id, "1"), &special))
        .await
        .succeeded(201);
    fleet
        .inspect(&fleet.inspector, &id, accepted("initial"))
        .await
        .succeeded(201);
    let lifts = async |from: &str, until: &str| {
        fleet.at(until);
        let body = json!({"from": from, "lifts": 2, "heaviest_load": kg("1000")});
        fleet.used(&fleet.operator, &id, body).await.succeeded(201)
    };
    let reasons_at = async |instant: &str| {
        fleet.at(instant);
        fleet.reasons(&id).await
    };
    lifts("2025-03-20T12:00:00Z", "2025-03-20T13:00:00Z").await;
    assert_eq!(
        reasons_at("2025-04-20T03:59:59Z").await,
        [""; 0],
        "still the 19th at Newport"
    );
    assert_eq!(reasons_at("2025-04-20T04:00:00Z").await, ["idle_too_long"]);
    let used = lifts("2025-04-21T12:00:00Z", "2025-04-21T13:00:00Z").await;
    assert_eq!(used.remarks(), ["used_while_not_fit"]);
    assert_eq!(
        used.body["result"]["opened"],
        json!([]),
        "the inspection that is due clears it"
    );
    assert_eq!(
        reasons_at("2025-04-21T14:00:00Z").await,
        ["idle_too_long"],
        "later use closes no gap"
    );
    fleet
        .inspect(&fleet.inspector, &id, accepted("frequent"))
        .await
        .succeeded(201);
    assert_eq!(fleet.reasons(&id).await, [""; 0]);
    assert_eq!(reasons_at("2025-05-21T04:00:00Z").await, ["idle_too_long"]);
    fleet
        .inspect(&fleet.inspector, &id, accepted("frequent"))
        .await
        .succeeded(201);
    assert_eq!(reasons_at("2026-04-21T03:59:59Z").await, [""; 0]);
    assert_eq!(reasons_at("2026-04-21T04:00:00Z").await, ["idle_too_long"]);
    fleet
        .inspect(&fleet.inspector, &id, accepted("frequent"))
        .await
        .succeeded(201);
    assert_eq!(
        fleet.reasons(&id).await,
        ["idle_too_long"],
        "after a year a frequent one is not enough"
    );
    fleet
        .inspect(&fleet.inspector, &id, accepted("periodic"))
        .await
        .succeeded(201);
    assert_eq!(fleet.reasons(&id).await, [""; 0]);
    fleet.stop().await;
}

#[actix_web::test]
async fn a_rejection_recorded_with_an_earlier_time_than_the_return_tags_the_clamp_out_again() {
    let fleet = Fleet::start().await;
    let (clamp, lockout) = fleet.rejected_clamp("1", "shackle_eye_worn").await;
    let done = fleet
        .repair_and_inspect(&clamp, repair("shackle", &[&lockout]))
        .await;
    let in_the_hull = fleet.now().to_string();
    fleet.at("2025-03-15T09:00:00Z");
    let back = returning(&[
        release(&lockout, "repaired", &done.repair, &done.inspection),
        release(
            &done.not_reinspected,
            "reinspected",
            &done.repair,
            &done.inspection,
        ),
    ]);
    let returned = fleet
        .return_to_service(&fleet.lead, &clamp, back)
        .await
        .succeeded(201);
    assert_eq!(fleet.reasons(&clamp).await, [""; 0]);
    let late = finding(
        accepted("frequent"),
        "cam_teeth_chipped",
        json!({"outcome": "reject"}),
    );
    let late = with(late, &json!({"performed_at": in_the_hull}));
    let rejected = fleet.inspect(&fleet.inspector, &clamp, late).await.succeeded(201);
    assert_eq!(rejected.remarks(), ["back_entry", "still_tagged_out"]);
    assert_eq!(fleet.reasons(&clamp).await, ["tagged_out"]);
    assert_eq!(
        fleet.open_lockouts(&clamp).await,
        ["cam_teeth_chipped"],
        "what the return closed stays closed"
    );
    // As it was then, it was barred; as was known then, it was not.
    let then = returned.text("/recorded_at");
    let true_then = fleet
        .clamp_then(&fleet.safety, &clamp, &format!("as_of={then}"))
        .await
        .succeeded(200);
    assert_eq!(true_then.body["status"], "tagged_out");
    let known_then = format!("as_of={then}&known_at={then}");
    let known_then = fleet
        .clamp_then(&fleet.safety, &clamp, &known_then)
        .await
        .succeeded(200);
    assert_eq!(known_then.body["status"], "in_service");
    fleet.stop().await;
}

/// Method: somebody else holds the clamp's row, so that the inspection has read the competence and waits; it is withdrawn
/// meanwhile; then the row is let go.
#[actix_web::test]
async fn a_competence_withdrawn_while_an_inspection_is_being_recorded_credits_nothing() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let newcomer = fleet
        .person("Per Ek", &["inspector"], &json!([fleet.newport]))
        .await;
    let competence = fleet.competent(&newcomer, "qualified_person", json!({})).await;
    let held = fleet.app.hold_clamp(&clamp).await;
    let withdrawing = async {
        fleet.app.until_somebody_waits().await;
        fleet
            .revoke(&newcomer, &competence, "2025-03-01")
            .await
            .succeeded(200);
        held.let_go().await;
    };
    let (inspected, ()) = tokio::join!(
        fleet.inspect(&newcomer, &clamp, accepted("periodic")),
        withdrawing
    );
    let inspected = inspected.succeeded(201);
    assert_eq!(inspected.body["result"]["credited"], false, "{}", inspected.body);
    assert_eq!(
        inspected.body["result"]["not_credited"][0]["code"],
        "not_competent"
    );
    fleet.stop().await;
}

#[actix_web::test]
async fn of_rival_service_classes_the_stricter_counts_and_only_safety_makes_it_milder() {
    let fleet = Fleet::start().await;
    let id = fleet.new_id();
    let registered = fleet
        .register(&fleet.lead, fleet.registration(&id, "1"))
        .await
        .succeeded(201)
        .entry_id();
    fleet
        .inspect(&fleet.inspector, &id, accepted("initial"))
        .await
        .succeeded(201);
    let class = async || {
        let view = fleet.clamp(&fleet.keeper, &id).await.succeeded(200).body;
        (
            view["service_class"].clone(),
            view["due"]["frequent"]["on"].clone(),
        )
    };
    assert_eq!(class().await, (json!("normal"), json!("2025-04-14")));
    let heavy = fleet
        .classify(&fleet.lead, &id, json!({"service_class": "heavy"}))
        .await
        .succeeded(201);
    assert_eq!(class().await, (json!("heavy"), json!("2025-03-21")));
    for class in ["normal", "special"] {
        // A clock that runs ahead makes it no truer.
        let milder = json!({"service_class": class, "performed_at": "2025-03-20T09:00:00Z",
            "direction": {"frequent": "P3M", "periodic": "P1Y"}});
        let refused = fleet.classify(&fleet.inspector, &id, milder).await;
        refused.refused(409, "state-conflict");
        assert_eq!(refused.body["refusals"][0]["code"], "milder-class");
    }
    // Safety, knowing only the registration: its word stands beside the stricter one.
    let stale = json!({"service_class": "normal", "replaces": registered});
    fleet.classify(&fleet.safety, &id, stale).await.succeeded(201);
    assert_eq!(class().await, (json!("heavy"), json!("2025-03-21")));
    let knowing = json!({"service_class": "normal", "replaces": heavy.entry_id()});
    fleet.classify(&fleet.safety, &id, knowing).await.succeeded(201);
    assert_eq!(class().await, (json!("normal"), json!("2025-04-14")));
    fleet.stop().await;
}

// Source: us-b30.20 10 % of a shackle (ASME B30.26): 27.0 of 30 mm; the maker's 12 %: 26.4 mm.
#[actix_web::test]
async fn a_wear_limit_looser_than_the_rule_needs_the_makers_document_and_then_counts() {
    let fleet = Fleet::start().await;
    let looser = |document: Option<&str>| {
        let point = json!({"criterion": "shackle_eye_worn", "nominal": mm("30"), "limit_percent": "12"});
        let point = with(point, &json!({"maker_document": document}));
        json!({"model": "V3-H", "wear_points": [point], "reason": "the maker allows 12 %"})
    };
    let record = async |document: Option<&str>| {
        let base = json!({"maker": "Ostvik Klammer", "kind": "vertical", "wll": kg("3000"),
            "jaw_opening": {"min": mm("0"), "max": mm("40")}});
        fleet
            .post(&fleet.safety, "/v1/models", &with(base, &looser(document)))
            .await
    };
    let refused = record(None).await;
    refused
        .refused(422, "invalid-input")
        .at("/wear_points/0/limit_percent", "maker-document-missing");
    let model = record(Some("Ostvik Klammer, letter of 3 March 2025"))
        .await
        .succeeded(201)
        .text("/id");
    let read = |value: &str| {
        let measured = json!({"measured": mm(value), "uncertainty": mm("0.1")});
        finding(accepted("initial"), "shackle_eye_worn", measured)
    };
    let (by_rule, by_maker) = (fleet.new_clamp("1").await, fleet.new_id());
    let registration = with(fleet.registration(&by_maker, "2"), &json!({"model_id": model}));
    fleet.register(&fleet.lead, registration).await.succeeded(201);
    let worn = fleet
        .inspect(&fleet.inspector, &by_rule, read("26.6"))
        .await
        .succeeded(201);
    opened(&worn, "shackle_eye_worn");
    assert!(worn.remarks().contains(&"measurement_overruled".to_owned()));
    fleet
        .inspect(&fleet.inspector, &by_maker, read("26.6"))
        .await
        .succeeded(201);
    assert_eq!(fleet.reasons(&by_maker).await, [""; 0]);
    fleet.stop().await;
}
