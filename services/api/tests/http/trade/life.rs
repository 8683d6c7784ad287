//! A clamp's whole life, and what was known of it on any day.

use super::bodies::*;
use super::entries::{codes, opened};
use super::fleet::{Fleet, mm};
use serde_json::{Value, json};

/// Goal: the job of the whole service in one piece. Method: each step through its own endpoint, by the person whose step
/// it is, on the day on which it happens; then the days between are asked about.
#[actix_web::test]
async fn a_clamp_is_registered_inspected_rejected_repaired_reinspected_and_returned_to_service() {
    let fleet = Fleet::start().await;
    let clamp = fleet.new_clamp("4711").await;
    let view = fleet.clamp(&fleet.keeper, &clamp).await.succeeded(200);
    assert_eq!(view.body["status"], "awaiting_initial_inspection");
    assert_eq!(fleet.reasons(&clamp).await, ["awaiting_initial_inspection"]);
    let issue = json!({"issued_to": fleet.operator.id});
    fleet
        .issue(&fleet.keeper, &clamp, issue.clone())
        .await
        .refused(409, "not-fit");

    fleet.at("2025-03-17T14:00:00Z");
    let initial = fleet
        .inspect(&fleet.inspector, &clamp, accepted("initial"))
        .await
        .succeeded(201);
    assert_eq!(initial.body["result"]["credited"], true);
    assert_eq!(fleet.reasons(&clamp).await, [""; 0]);
    let view = fleet.clamp(&fleet.keeper, &clamp).await.succeeded(200);
    assert_eq!(view.body["status"], "in_service");
    assert_eq!(view.body["due"]["frequent"]["on"], "2025-04-17");
    assert_eq!(view.body["due"]["periodic"]["on"], "2026-03-17");
    assert_eq!(view.body["fitness"]["fit_until"], "2025-04-18T04:00:00Z");
    assert_eq!(
        fleet
            .lift(&fleet.operator, &[&clamp], json!({}))
            .await
            .succeeded(200)
            .body["decision"],
        "clear"
    );
    fleet
        .issue(&fleet.keeper, &clamp, issue.clone())
        .await
        .succeeded(201);
    fleet
        .receive(&fleet.keeper, &clamp, json!({}))
        .await
        .succeeded(201);

    // 26.5 of 30 mm: 11.7 % worn, the limit is 10 %.
    fleet.at("2025-04-10T14:00:00Z");
    let worn = json!({"outcome": "reject", "measured": mm("26.5"), "uncertainty": mm("0.1")});
    let rejecting = finding(accepted("frequent"), "shackle_eye_worn", worn);
    let rejected = fleet
        .inspect(&fleet.inspector, &clamp, rejecting)
        .await
        .succeeded(201);
    let lockout = opened(&rejected, "shackle_eye_worn");
    assert_eq!(rejected.body["result"]["verdict"], "rejected");
    assert_eq!(rejected.body["result"]["opened"][0]["component"], "shackle");
    assert_eq!(rejected.body["state_now"]["status"], "tagged_out");
    assert_eq!(fleet.reasons(&clamp).await, ["tagged_out"]);
    let refused = fleet.issue(&fleet.keeper, &clamp, issue.clone()).await;
    refused.refused(409, "tagged-out");
    assert_eq!(refused.body["reasons"][0]["lockout_id"], lockout);
    let stopped = fleet
        .lift(&fleet.operator, &[&clamp], json!({}))
        .await
        .succeeded(200);
    assert_eq!(stopped.body["decision"], "stop");
    assert_eq!(codes(&stopped.body["reasons"]), ["tagged_out"]);

    fleet.at("2025-04-11T14:00:00Z");
    let repaired = fleet
        .repair(&fleet.technician, &clamp, repair("shackle", &[&lockout]))
        .await
        .succeeded(201);
    let not_reinspected = opened(&repaired, "not_reinspected");

    fleet.at("2025-04-12T14:00:00Z");
    let measured = json!({"measured": mm("30.0"), "uncertainty": mm("0.1")});
    let again = finding(after_repair(&repaired.entry_id()), "shackle_eye_worn", measured);
    let inspected = fleet
        .inspect(&fleet.inspector, &clamp, again)
        .await
        .succeeded(201);
    assert_eq!(inspected.body["result"]["credited"], true);
    assert_eq!(
        inspected.remarks(),
        ["still_tagged_out"],
        "a passed inspection closes nothing"
    );
    assert_eq!(
        fleet.open_lockouts(&clamp).await,
        ["not_reinspected", "shackle_eye_worn"]
    );

    fleet.at("2025-04-14T14:00:00Z");
    let (repair, inspection) = (repaired.entry_id(), inspected.entry_id());
    let both = returning(&[
        release(&lockout, "repaired", &repair, &inspection),
        release(&not_reinspected, "reinspected", &repair, &inspection),
    ]);
    let returned = fleet
        .return_to_service(&fleet.lead, &clamp, both)
        .await
        .succeeded(201);
    assert_eq!(
        returned.body["result"]["closed"].as_array().map(Vec::len),
        Some(2)
    );
    assert_eq!(fleet.reasons(&clamp).await, [""; 0]);
    assert_eq!(
        fleet
            .lift(&fleet.operator, &[&clamp], json!({}))
            .await
            .succeeded(200)
            .body["decision"],
        "clear"
    );
    fleet.issue(&fleet.keeper, &clamp, issue).await.succeeded(201);

    then_the_days_between(&fleet, &clamp).await;
    kinds_of_the_history(&fleet, &clamp).await;
    fleet.stop().await;
}

async fn then_the_days_between(fleet: &Fleet, clamp: &str) {
    let status = async |query: &str| {
        let view = fleet.clamp_then(&fleet.safety, clamp, query).await.succeeded(200);
        assert_eq!(
            view.body["fitness"]["fit"],
            view.body["fitness"]["reasons"] == json!([]),
            "{query}"
        );
        view.text("/status")
    };
    for (query, expected) in [
        ("as_of=2025-03-14", "awaiting_initial_inspection"),
        ("as_of=2025-03-17T13:59:59Z", "awaiting_initial_inspection"),
        ("as_of=2025-03-17T14:00:00Z", "in_service"),
        ("as_of=2025-04-09", "in_service"),
        ("as_of=2025-04-10", "tagged_out"),
        ("as_of=2025-04-13", "tagged_out"),
        ("as_of=2025-04-14T13:59:59Z", "tagged_out"),
        ("as_of=2025-04-14", "in_service"),
        // What nobody knew yet: the rejection of the 10th, the return of the 14th.
        ("as_of=2025-04-10&known_at=2025-04-10T13:00:00Z", "in_service"),
        ("as_of=2025-04-14&known_at=2025-04-13T00:00:00Z", "tagged_out"),
    ] {
        assert_eq!(status(query).await, expected, "{query}");
    }
    let before_it_was_known = "as_of=2025-04-10&known_at=2025-03-14T08:00:00Z";
    fleet
        .clamp_then(&fleet.safety, clamp, before_it_was_known)
        .await
        .refused(404, "not-found");
    let open = fleet
        .clamp_then(&fleet.safety, clamp, "as_of=2025-04-10")
        .await
        .succeeded(200);
    assert_eq!(open.body["open_lockouts"][0]["criterion"], "shackle_eye_worn");
    assert_eq!(open.body["open_lockouts"].as_array().map(Vec::len), Some(1));
}

async fn kinds_of_the_history(fleet: &Fleet, clamp: &str) {
    let history = fleet.history(&fleet.safety, clamp).await.succeeded(200);
    let kinds: Vec<&Value> = history.body["items"]
        .as_array()
        .into_iter()
        .flatten()
        .map(|entry| &entry["kind"])
        .collect();
    let expected = [
        "issued",
        "returned_to_service",
        "inspected",
        "repaired",
        "inspected",
        "received",
        "issued",
        "inspected",
        "registered",
    ];
    assert_eq!(kinds, expected, "newest first, and nothing of what was refused");
}

#[actix_web::test]
async fn a_list_is_not_asked_for_days_that_no_clamp_lives_in() {
    let fleet = Fleet::start().await;
    for far in [
        "-005000-01-01T00:00:00Z",
        "0001-01-01T00:00:00Z",
        "9999-01-01T00:00:00Z",
        "2025-04-01",
    ] {
        fleet
            .get(&fleet.safety, &format!("/v1/clamps?due_before={far}"))
            .await
            .refused(400, "invalid-parameters")
            .at("/due_before", "not-a-time");
    }
    let near = "/v1/clamps?due_before=2025-04-01T00:00:00Z";
    fleet.get(&fleet.safety, near).await.succeeded(200);
    fleet.stop().await;
}

#[actix_web::test]
async fn a_clamp_is_issued_to_a_known_person_or_to_a_name() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    fleet
        .issue(&fleet.keeper, &clamp, json!({}))
        .await
        .refused(422, "invalid-input")
        .at("/issued_to", "missing-field");
    let nobody = json!({"issued_to": fleet.new_id(), "issued_to_name": "gang 4"});
    fleet
        .issue(&fleet.keeper, &clamp, nobody)
        .await
        .refused(422, "invalid-input")
        .at("/issued_to", "unknown");
    fleet
        .issue(&fleet.keeper, &clamp, json!({"issued_to_name": "gang 4"}))
        .await
        .succeeded(201);
    fleet.stop().await;
}
