//! A service account writes in its own name, sees its yards, and can do no more than a program may.

use super::bodies::*;
use super::fleet::Fleet;
use serde_json::json;

#[actix_web::test]
async fn what_a_program_records_names_the_program_and_it_sees_its_yards_alone() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let new = json!({"name": "Plant ERP", "yards": [fleet.newport]});
    let program = fleet
        .post(&fleet.administrator, "/v1/service-accounts", &new)
        .await
        .succeeded(201);
    let (id, secret) = (program.text("/client_id"), program.text("/client_secret"));
    let form = format!("grant_type=client_credentials&client_id={id}&client_secret={secret}");
    let signed_in = fleet
        .app
        .call("POST", "/v1/oauth/token")
        .raw(form.into_bytes())
        .header("Content-Type", "application/x-www-form-urlencoded")
        .send()
        .await
        .succeeded(200);
    let token = signed_in.text("/access_token");
    let path = format!("/v1/clamps/{clamp}");
    let entry = fleet.entry(tag_out("dropped"));
    fleet
        .app
        .post(&token, &format!("{path}/tag-outs"), &entry)
        .await
        .succeeded(201);
    let history = fleet
        .app
        .get(&token, &format!("{path}/entries"))
        .await
        .succeeded(200);
    assert_eq!(history.text("/items/0/kind"), "tagged_out");
    assert_eq!(history.text("/items/0/performed_by"), id);
    assert_eq!(history.text("/items/0/recorded_by"), id);
    // Nothing that needs a person's hands or judgement.
    for (kind, body) in [
        ("inspections", accepted("frequent")),
        ("repairs", json!({})),
        ("returns-to-service", json!({})),
    ] {
        fleet
            .app
            .post(&token, &format!("{path}/{kind}"), &fleet.entry(body))
            .await
            .refused(403, "not-allowed");
    }
    let change = json!({"yards": [fleet.clydebank]});
    let account = format!("/v1/service-accounts/{id}");
    let read = fleet.get(&fleet.administrator, &account).await.succeeded(200);
    fleet
        .app
        .patch(&fleet.token(&fleet.administrator), &account, read.etag(), &change)
        .await
        .succeeded(200);
    fleet.app.get(&token, &path).await.refused(404, "not-found");
    fleet.stop().await;
}
