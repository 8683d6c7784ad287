//! Times told by the author that are not those of the recording.

use super::bodies::*;
use super::entries::{find, opened};
use super::fleet::{Fleet, with};
use serde_json::{Value, json};

fn told(body: Value, instant: &str) -> Value {
    with(body, &json!({ "performed_at": instant }))
}

#[actix_web::test]
async fn an_issue_told_of_a_time_before_the_tag_out_is_refused_all_the_same() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    fleet.at("2025-03-17T14:00:00Z");
    fleet
        .tag_out(&fleet.operator, &clamp, tag_out("dropped"))
        .await
        .succeeded(201);
    let slow_clock = told(json!({"issued_to": fleet.operator.id}), "2025-03-17T13:58:00Z");
    fleet
        .issue(&fleet.keeper, &clamp, slow_clock)
        .await
        .refused(409, "tagged-out");
    fleet.stop().await;
}

#[actix_web::test]
async fn an_inspection_told_of_a_time_before_a_tag_out_says_that_the_clamp_is_tagged_out() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    fleet.at("2025-03-17T14:00:00Z");
    fleet
        .tag_out(&fleet.operator, &clamp, tag_out("dropped"))
        .await
        .succeeded(201);
    let before = told(accepted("periodic"), "2025-03-17T10:00:00Z");
    let inspected = fleet
        .inspect(&fleet.inspector, &clamp, before)
        .await
        .succeeded(201);
    assert_eq!(inspected.body["result"]["credited"], true);
    assert_eq!(inspected.remarks(), ["back_entry", "still_tagged_out"]);
    fleet.stop().await;
}

#[actix_web::test]
async fn an_inspection_made_before_the_repair_it_names_is_not_credited_and_supports_no_return() {
    let fleet = Fleet::start().await;
    let (clamp, lockout) = fleet.rejected_clamp("1", "shackle_eye_worn").await;
    fleet.at("2025-03-17T14:00:00Z");
    let repaired = fleet
        .repair(&fleet.technician, &clamp, repair("shackle", &[&lockout]))
        .await
        .succeeded(201);
    let repair = repaired.entry_id();
    let before = told(after_repair(&repair), "2025-03-17T13:00:00Z");
    let inspected = fleet
        .inspect(&fleet.inspector, &clamp, before)
        .await
        .succeeded(201);
    assert_eq!(inspected.body["result"]["credited"], false, "{}", inspected.body);
    let inspection = inspected.entry_id();
    let back = returning(&[
        release(&lockout, "repaired", &repair, &inspection),
        release(
            &find(&repaired.body["result"]["opened"], "not_reinspected"),
            "reinspected",
            &repair,
            &inspection,
        ),
    ]);
    assert_eq!(
        fleet.return_to_service(&fleet.lead, &clamp, back).await.unmet(),
        ["inspection_too_early"]
    );
    fleet.stop().await;
}

#[actix_web::test]
async fn an_inspection_made_before_the_clamp_was_tagged_out_supports_no_return() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    fleet.at("2025-03-17T14:00:00Z");
    let dropped = fleet
        .tag_out(&fleet.operator, &clamp, tag_out("dropped"))
        .await
        .succeeded(201);
    let lockout = opened(&dropped, "dropped");
    let before = told(exceptional("drop", &lockout), "2025-03-17T13:00:00Z");
    let inspection = fleet
        .inspect(&fleet.inspector, &clamp, before)
        .await
        .succeeded(201)
        .entry_id();
    let back = returning(&[inspected_fit(&lockout, &inspection)]);
    assert_eq!(
        fleet.return_to_service(&fleet.lead, &clamp, back).await.unmet(),
        ["inspection_too_early"]
    );
    fleet.stop().await;
}

#[actix_web::test]
async fn a_time_ahead_of_the_servers_counts_as_now_and_says_so() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let ahead = told(accepted("frequent"), "2025-06-14T09:00:00Z");
    let inspected = fleet
        .inspect(&fleet.inspector, &clamp, ahead)
        .await
        .succeeded(201);
    assert_eq!(inspected.remarks(), ["clock_ahead"]);
    let view = fleet.clamp(&fleet.keeper, &clamp).await.succeeded(200);
    assert_eq!(
        view.body["due"]["frequent"]["on"], "2025-04-14",
        "nobody inspects in advance"
    );
    let history = fleet.history(&fleet.keeper, &clamp).await.succeeded(200);
    assert_eq!(
        history.body["items"][0]["performed_at"], "2025-06-14T09:00:00Z",
        "what was told is kept"
    );
    fleet.stop().await;
}

/// A clamp whose model nobody knows could not be judged: not even a tag-out would find its rules.
#[actix_web::test]
async fn a_clamp_is_not_amended_to_a_model_that_nobody_knows() {
    let fleet = Fleet::start().await;
    let id = fleet.new_id();
    let registered = fleet
        .register(&fleet.lead, fleet.registration(&id, "1"))
        .await
        .succeeded(201)
        .entry_id();
    let unknown = amendment(&registered, "model_id", json!(fleet.new_id()));
    fleet
        .amend(&fleet.inspector, &id, unknown)
        .await
        .refused(422, "invalid-input")
        .at("/value", "unknown");
    let known = with(
        amendment(&registered, "model_id", json!(fleet.other_maker)),
        &json!({"document": "Greywater Forge, certificate 77"}),
    );
    fleet.amend(&fleet.inspector, &id, known).await.succeeded(201);
    assert_eq!(
        fleet.clamp(&fleet.keeper, &id).await.succeeded(200).body["maker"],
        "Greywater Forge"
    );
    fleet
        .tag_out(&fleet.operator, &id, tag_out("dropped"))
        .await
        .succeeded(201);
    fleet.stop().await;
}
