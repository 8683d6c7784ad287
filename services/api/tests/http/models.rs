//! Models: what only a qualified person says, and what never changes.

use crate::support::TestApp;
use serde_json::{Value, json};

fn model(changes: Value) -> Value {
    let mut model = json!({
        "maker": "Ostvik Klammer", "model": "OK-3", "kind": "vertical", "wll": {"value": "3", "unit": "t"},
        "jaw_opening": {"min": {"value": "0", "unit": "mm"}, "max": {"value": "40", "unit": "mm"}},
    });
    for (name, value) in changes.as_object().into_iter().flatten() {
        model[name] = value.clone();
    }
    model
}

#[actix_web::test]
async fn a_model_is_recorded_changed_and_found_by_its_maker() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let created = app
        .post(&administrator, "/v1/models", &model(json!({})))
        .await
        .succeeded(201);
    let path = format!("/v1/models/{}", created.text("/id"));
    app.post(
        &administrator,
        "/v1/models",
        &model(json!({"maker": "OSTVIK KLAMMER"})),
    )
    .await
    .refused(409, "model-taken");
    let change = json!({"hardness_limit_hb": 280});
    app.call("PATCH", &path)
        .token(&administrator)
        .json(&change)
        .send()
        .await
        .refused(428, "version-missing");
    let changed = app
        .patch(&administrator, &path, created.etag(), &change)
        .await
        .succeeded(200);
    assert_eq!(
        (&changed.body["version"], &changed.body["starts_on"]),
        (&json!(2), &json!("2025-03-15"))
    );
    assert_eq!(changed.body["hardness_limit_hb"], 280);
    let other = app
        .patch(
            &administrator,
            &path,
            changed.etag(),
            &json!({"maker": "Greywater Forge"}),
        )
        .await;
    other.refused(422, "invalid-input").at("/maker", "never-changes");
    let found = app
        .get(&administrator, "/v1/models?maker=ostvik%20klammer")
        .await
        .succeeded(200);
    assert_eq!(found.body["items"], json!([changed.body]));
    assert_eq!(
        app.get(&administrator, "/v1/models?maker=Tornhagen").await.body["items"],
        json!([])
    );
    app.stop().await;
}

// Source: rule sets, shackle 10 % under us-b30.20 (ASME B30.26), 5 % under gb-loler and de-dguv.
#[actix_web::test]
async fn a_looser_wear_limit_needs_the_makers_figure_a_qualified_person_and_a_reason() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let (id, safety) = app.person("Siv Dahl", &["safety"], json!("all")).await;
    let point = |more: Value| {
        let mut point = json!({"criterion": "shackle_eye_worn", "nominal": {"value": "25", "unit": "mm"}, "limit_percent": "12"});
        for (name, value) in more.as_object().into_iter().flatten() {
            point[name] = value.clone();
        }
        model(json!({"wear_points": [point]}))
    };
    let bare = app.post(&safety, "/v1/models", &point(json!({}))).await;
    bare.refused(422, "invalid-input")
        .at("/wear_points/0/limit_percent", "maker-document-missing");
    let mut documented = point(json!({"maker_document": "OK-3 manual, sheet 4"}));
    let unqualified = app.post(&safety, "/v1/models", &documented).await;
    unqualified
        .refused(422, "invalid-input")
        .at("/wear_points/0/limit_percent", "qualified-person-needed")
        .at("/reason", "missing-field");
    let competence =
        json!({"kind": "qualified_person", "valid_from": "2025-01-01", "valid_until": "2025-12-31"});
    app.post(
        &administrator,
        &format!("/v1/users/{id}/competences"),
        &competence,
    )
    .await
    .succeeded(201);
    documented["reason"] = json!("The maker allows it in writing");
    let created = app.post(&safety, "/v1/models", &documented).await.succeeded(201);
    assert_eq!(created.body["wear_points"][0]["limit_percent"], "12");
    app.stop().await;
}

#[actix_web::test]
async fn numbers_and_units_are_never_guessed() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let ton = app
        .post(
            &administrator,
            "/v1/models",
            &model(json!({"wll": {"value": "3", "unit": "ton"}})),
        )
        .await;
    ton.refused(422, "invalid-input").at("/wll/unit", "unknown-word");
    let number = app
        .post(
            &administrator,
            "/v1/models",
            &model(json!({"wll": {"value": 3.5, "unit": "t"}})),
        )
        .await;
    number
        .refused(400, "malformed-json")
        .at("/wll/value", "decimal-number");
    app.stop().await;
}
