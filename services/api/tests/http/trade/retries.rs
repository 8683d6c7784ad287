//! Entries sent again: recorded once, answered as the first time.

use super::bodies::*;
use super::fleet::{Fleet, with};
use serde_json::{Value, json};

#[actix_web::test]
async fn an_entry_sent_again_gets_its_first_outcome_and_the_state_now() {
    let fleet = Fleet::start().await;
    let clamp = fleet.new_clamp("1").await;
    let path = format!("/v1/clamps/{clamp}/inspections");
    let entry = fleet.entry(accepted("initial"));
    let first = fleet.post(&fleet.inspector, &path, &entry).await.succeeded(201);
    assert_eq!(first.body["outcome"], "recorded");
    fleet
        .tag_out(&fleet.operator, &clamp, tag_out("dropped"))
        .await
        .succeeded(201);
    let turned_round: serde_json::Map<String, Value> = entry
        .as_object()
        .expect("fields")
        .clone()
        .into_iter()
        .rev()
        .collect();
    for same in [entry.clone(), Value::Object(turned_round)] {
        let again = fleet.post(&fleet.inspector, &path, &same).await.succeeded(200);
        assert_eq!(again.body["outcome"], "already_recorded");
        for field in ["entry_id", "seq", "position", "recorded_at", "result"] {
            assert_eq!(again.body[field], first.body[field], "{field}");
        }
        assert_eq!(
            again.body["state_now"]["status"], "tagged_out",
            "apart from it, the state now"
        );
    }
    assert_eq!(fleet.recorded(&clamp).await, 3);
    fleet.stop().await;
}

#[actix_web::test]
async fn an_id_that_was_used_is_refused_for_other_content_another_clamp_or_another_person() {
    let fleet = Fleet::start().await;
    let (clamp, other) = (fleet.fit_clamp("1").await, fleet.fit_clamp("2").await);
    let path = |id: &str| format!("/v1/clamps/{id}/tag-outs");
    let entry = fleet.entry(tag_out("dropped"));
    fleet
        .post(&fleet.operator, &path(&clamp), &entry)
        .await
        .succeeded(201);
    fleet.later();
    let noted = with(entry.clone(), &json!({"note": "from the rack"}));
    let later = with(entry.clone(), &json!({"performed_at": fleet.now().to_string()}));
    fleet
        .post(&fleet.operator, &path(&clamp), &noted)
        .await
        .refused(409, "id-reused");
    fleet
        .post(&fleet.operator, &path(&clamp), &later)
        .await
        .refused(409, "id-reused");
    fleet
        .post(&fleet.operator, &path(&other), &entry)
        .await
        .refused(409, "id-reused");
    let another_kind = with(accepted("frequent"), &json!({"entry_id": entry["entry_id"]}));
    fleet
        .inspect(&fleet.inspector, &clamp, another_kind)
        .await
        .refused(409, "id-reused");
    fleet
        .post(&fleet.keeper, &path(&clamp), &entry)
        .await
        .refused(409, "id-reused");
    let told = fleet.post(&fleet.stranger, &path(&clamp), &entry).await;
    assert!(
        told.body.get("result").is_none() && told.body.get("state_now").is_none(),
        "{}",
        told.body
    );
    assert_eq!(fleet.open_lockouts(&clamp).await, ["dropped"]);
    assert_eq!(fleet.reasons(&other).await, [""; 0]);
    fleet.stop().await;
}

#[actix_web::test]
async fn an_entry_sent_again_after_the_clamp_has_left_gets_its_first_outcome_and_nothing_of_the_state_now() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let path = format!("/v1/clamps/{clamp}/inspections");
    let entry = fleet.entry(accepted("frequent"));
    let first = fleet.post(&fleet.inspector, &path, &entry).await.succeeded(201);
    fleet
        .transfer(&fleet.safety, &clamp, json!({"to_yard": fleet.clydebank}))
        .await
        .succeeded(201);
    let again = fleet.post(&fleet.inspector, &path, &entry).await.succeeded(200);
    assert_eq!(again.body["outcome"], "already_recorded");
    assert_eq!(again.body["result"], first.body["result"]);
    assert_eq!(again.body.get("state_now"), None);
    fleet
        .inspect(&fleet.inspector, &clamp, accepted("frequent"))
        .await
        .refused(404, "not-found");
    fleet.stop().await;
}

#[actix_web::test]
async fn a_registration_and_a_transfer_sent_again_change_nothing() {
    let fleet = Fleet::start().await;
    let id = fleet.new_id();
    let registration = fleet.entry(fleet.registration(&id, "1"));
    fleet
        .post(&fleet.lead, "/v1/clamps", &registration)
        .await
        .succeeded(201);
    fleet.later();
    let path = format!("/v1/clamps/{id}/transfers");
    let there = fleet.entry(json!({"to_yard": fleet.galveston}));
    fleet.post(&fleet.lead, &path, &there).await.succeeded(201);
    fleet.later();
    fleet
        .transfer(&fleet.lead, &id, json!({"to_yard": fleet.newport}))
        .await
        .succeeded(201);
    fleet.post(&fleet.lead, &path, &there).await.succeeded(200);
    fleet
        .post(&fleet.lead, "/v1/clamps", &registration)
        .await
        .succeeded(200);
    let view = fleet.clamp(&fleet.keeper, &id).await.succeeded(200);
    assert_eq!(view.body["yards"], json!([fleet.newport]));
    assert_eq!(view.body["seq"], 3);
    let anew = with(registration, &json!({"entry_id": fleet.new_id()}));
    fleet
        .post(&fleet.lead, "/v1/clamps", &anew)
        .await
        .refused(409, "state-conflict");
    fleet.stop().await;
}

#[actix_web::test]
async fn a_refused_entry_leaves_its_id_free() {
    let fleet = Fleet::start().await;
    let clamp = fleet.new_clamp("1").await;
    let issue = fleet.entry(json!({"issued_to": fleet.operator.id}));
    let path = format!("/v1/clamps/{clamp}/issues");
    fleet
        .post(&fleet.keeper, &path, &issue)
        .await
        .refused(409, "not-fit");
    fleet
        .inspect(&fleet.inspector, &clamp, accepted("initial"))
        .await
        .succeeded(201);
    let now = with(issue, &json!({"performed_at": fleet.now().to_string()}));
    fleet.post(&fleet.keeper, &path, &now).await.succeeded(201);
    fleet.stop().await;
}
