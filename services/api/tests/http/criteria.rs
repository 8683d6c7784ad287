//! Rule sets and criteria as they are published.

use crate::support::TestApp;
use serde_json::json;

#[actix_web::test]
async fn rule_sets_come_whole_with_their_sources() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let sets = app.get(&administrator, "/v1/rule-sets").await.succeeded(200);
    let names: Vec<_> = sets.body["items"]
        .as_array()
        .expect("items")
        .iter()
        .map(|set| set["name"].clone())
        .collect();
    assert_eq!(names, [json!("us-b30.20"), json!("gb-loler"), json!("de-dguv")]);
    assert!(
        sets.body
            .pointer("/items/0/wear_limits/shackle/source/cite")
            .is_some()
    );
    app.stop().await;
}

#[actix_web::test]
async fn criteria_follow_the_kind_of_inspection_and_the_design_of_the_model() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let (id, safety) = app.person("Siv Dahl", &["safety"], json!("all")).await;
    let competence = json!({"kind": "qualified_person", "valid_from": "2025-01-01"});
    app.post(
        &administrator,
        &format!("/v1/users/{id}/competences"),
        &competence,
    )
    .await
    .succeeded(201);
    let count = async |query: &str, mandatory: bool| {
        let list = app
            .get(&safety, &format!("/v1/criteria{query}"))
            .await
            .succeeded(200);
        let items = list.body["items"].as_array().expect("items").clone();
        items
            .iter()
            .filter(|item| !mandatory || item["mandatory"] == true)
            .count()
    };
    let all = count("", false).await;
    assert!(count("?inspection_kind=frequent", true).await < count("?inspection_kind=periodic", true).await);
    let model = json!({
        "maker": "Tornhagen", "model": "T-1", "kind": "horizontal", "wll": {"value": "1", "unit": "t"}, "lock": "none",
        "jaw_opening": {"min": {"value": "0", "unit": "mm"}, "max": {"value": "30", "unit": "mm"}},
        "without_criteria": ["lock_does_not_hold"], "reason": "No lock: used in pairs, horizontal only",
    });
    let known = app.get(&safety, "/v1/criteria").await.succeeded(200);
    let lock = known.body["items"]
        .as_array()
        .and_then(|items| items.iter().find(|item| item["component"] == "lock"))
        .expect("a criterion about the lock")["code"]
        .clone();
    let mut model = model;
    model["without_criteria"] = json!([lock]);
    let model = app
        .post(&safety, "/v1/models", &model)
        .await
        .succeeded(201)
        .text("/id");
    assert_eq!(count(&format!("?model_id={model}"), false).await, all - 1);
    let nowhere = app
        .get(
            &safety,
            "/v1/criteria?model_id=01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10",
        )
        .await;
    nowhere.refused(404, "not-found");
    app.get(&safety, "/v1/criteria?kind=frequent")
        .await
        .refused(400, "invalid-parameters");
    app.stop().await;
}
