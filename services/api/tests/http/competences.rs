//! Competences: recorded and withdrawn by somebody else.

use crate::support::TestApp;
use serde_json::json;

#[actix_web::test]
async fn nobody_records_or_withdraws_their_own_competence() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let (id, safety) = app.person("Siv Dahl", &["safety"], json!("all")).await;
    let competence = json!({"kind": "qualified_person", "valid_from": "2025-01-01"});
    let path = format!("/v1/users/{id}/competences");
    app.post(&safety, &path, &competence)
        .await
        .refused(403, "own-competence");
    let recorded = app
        .post(&administrator, &path, &competence)
        .await
        .succeeded(201)
        .text("/id");
    let revocation = json!({"revoked_from": "2025-03-01"});
    app.post(&safety, &format!("{path}/{recorded}/revocation"), &revocation)
        .await
        .refused(403, "own-competence");
    app.stop().await;
}

#[actix_web::test]
async fn only_safety_and_administrators_record_competences() {
    let app = TestApp::start().await;
    let (id, _) = app.person("Mara Lind", &["inspector"], json!("all")).await;
    let (_, lead) = app.person("Jon Moe", &["yard_lead"], json!("all")).await;
    let competence = json!({"kind": "qualified_person", "valid_from": "2025-01-01"});
    app.post(&lead, &format!("/v1/users/{id}/competences"), &competence)
        .await
        .refused(403, "not-allowed");
    app.stop().await;
}

#[actix_web::test]
async fn a_withdrawal_moves_to_an_earlier_day_only() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let (id, _) = app.person("Mara Lind", &["inspector"], json!("all")).await;
    let path = format!("/v1/users/{id}/competences");
    let competence =
        json!({"kind": "designated_person", "valid_from": "2025-01-01", "valid_until": "2025-12-31"});
    let recorded = app
        .post(&administrator, &path, &competence)
        .await
        .succeeded(201)
        .text("/id");
    let revoke = async |day: &str| {
        app.post(
            &administrator,
            &format!("{path}/{recorded}/revocation"),
            &json!({ "revoked_from": day }),
        )
        .await
    };
    assert_eq!(
        revoke("2025-03-01").await.succeeded(200).body["revoked_from"],
        "2025-03-01"
    );
    revoke("2025-03-01").await.refused(409, "already-revoked");
    revoke("2025-04-01").await.refused(409, "already-revoked");
    assert_eq!(
        revoke("2025-02-01").await.succeeded(200).body["revoked_from"],
        "2025-02-01"
    );
    let listed = app.get(&administrator, &path).await.succeeded(200);
    assert_eq!(listed.body["items"].as_array().map(Vec::len), Some(1));
    assert_eq!(listed.body["items"][0]["revoked_from"], "2025-02-01");
    app.stop().await;
}

#[actix_web::test]
async fn faulty_days_and_unknown_people_are_refused() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let (id, _) = app.person("Mara Lind", &["inspector"], json!("all")).await;
    let backwards =
        json!({"kind": "designated_person", "valid_from": "2025-01-02", "valid_until": "2025-01-01"});
    let reply = app
        .post(&administrator, &format!("/v1/users/{id}/competences"), &backwards)
        .await;
    reply
        .refused(422, "invalid-input")
        .at("/valid_until", "out-of-order");
    let good = json!({"kind": "designated_person", "valid_from": "2025-01-02"});
    let nobody = "01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10";
    app.post(&administrator, &format!("/v1/users/{nobody}/competences"), &good)
        .await
        .refused(404, "not-found");
    app.get(&administrator, &format!("/v1/users/{nobody}/competences"))
        .await
        .refused(404, "not-found");
    let path = format!("/v1/users/{id}/competences/{nobody}/revocation");
    let unknown = app
        .post(&administrator, &path, &json!({"revoked_from": "2025-01-01"}))
        .await;
    unknown.refused(404, "not-found");
    app.stop().await;
}

#[actix_web::test]
async fn days_before_1900_and_after_2199_are_refused() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let (id, _) = app.person("Mara Lind", &["inspector"], json!("all")).await;
    let path = format!("/v1/users/{id}/competences");
    let competence = |from: &str, until: &str| json!({"kind": "qualified_person", "valid_from": from, "valid_until": until});
    for far in ["-005000-01-01", "0000-01-01", "1899-12-31", "2200-01-01"] {
        app.post(&administrator, &path, &competence(far, "2025-12-31"))
            .await
            .refused(422, "invalid-input")
            .at("/valid_from", "time-malformed");
        app.post(&administrator, &path, &competence("2025-01-01", far))
            .await
            .refused(422, "invalid-input")
            .at("/valid_until", "time-malformed");
    }
    let recorded = app
        .post(&administrator, &path, &competence("1900-01-01", "2199-12-31"))
        .await
        .succeeded(201)
        .text("/id");
    app.post(
        &administrator,
        &format!("{path}/{recorded}/revocation"),
        &json!({"revoked_from": "-005000-01-01"}),
    )
    .await
    .refused(422, "invalid-input")
    .at("/revoked_from", "time-malformed");
    app.stop().await;
}
