//! Service accounts: programs that sign in by a secret, see what their yards allow, and are nobody.

use crate::support::{ADMINISTRATOR, Reply, TestApp};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use jiff::SignedDuration;
use serde_json::json;

struct Program {
    id: String,
    secret: String,
    secret_id: String,
}

async fn program(app: &TestApp, yards: serde_json::Value) -> Program {
    let administrator = app.administrator().await;
    let new = json!({"name": "Plant ERP", "yards": yards, "secret_days": 30});
    let created = app
        .post(&administrator, "/v1/service-accounts", &new)
        .await
        .succeeded(201);
    assert_eq!(created.body["client_id"], created.body["id"]);
    assert_eq!(created.body["roles"], json!(["integration"]));
    assert_eq!(created.body["secret_expires_at"], "2025-04-13T09:00:00Z");
    let secret = created.text("/client_secret");
    assert!(secret.starts_with("cws_") && secret.len() == 47, "{secret}");
    Program {
        id: created.text("/id"),
        secret,
        secret_id: created.text("/secret_id"),
    }
}

async fn form(app: &TestApp, text: &str) -> Reply {
    app.call("POST", "/v1/oauth/token")
        .raw(text.as_bytes().to_vec())
        .header("Content-Type", "application/x-www-form-urlencoded")
        .send()
        .await
}
async fn basic(app: &TestApp, user: &str, password: &str, text: &str) -> Reply {
    let credentials = STANDARD.encode(format!("{user}:{password}"));
    app.call("POST", "/v1/oauth/token")
        .raw(text.as_bytes().to_vec())
        .header("Content-Type", "application/x-www-form-urlencoded")
        .header("Authorization", &format!("Basic {credentials}"))
        .send()
        .await
}
async fn sign_in(app: &TestApp, program: &Program) -> Reply {
    let (id, secret) = (&program.id, &program.secret);
    form(
        app,
        &format!("grant_type=client_credentials&client_id={id}&client_secret={secret}"),
    )
    .await
}

// Source: RFC 6749 sections 2.3.1 (both ways to prove oneself), 4.4.2, 4.4.3 (no refresh token), 5.1 (headers).
#[actix_web::test]
async fn a_program_signs_in_by_form_or_header_and_is_who_it_is() {
    let app = TestApp::start().await;
    let program = program(&app, json!("all")).await;
    let by_form = sign_in(&app, &program).await.succeeded(200);
    let by_header = basic(
        &app,
        &program.id,
        &program.secret,
        "grant_type=client_credentials",
    )
    .await
    .succeeded(200);
    for reply in [by_form, by_header] {
        assert_eq!(reply.body["token_type"], "Bearer");
        assert_eq!(reply.body["expires_in"], 900);
        assert_eq!(reply.body.get("refresh_token"), None);
        assert_eq!(reply.header("cache-control"), Some("no-store"));
        assert_eq!(reply.header("pragma"), Some("no-cache"));
        let token = reply.text("/access_token");
        let me = app.get(&token, "/v1/me").await.succeeded(200);
        assert_eq!(
            (me.text("/id"), me.text("/name")),
            (program.id.clone(), "Plant ERP".to_owned())
        );
        app.get(&token, "/v1/clamps").await.succeeded(200);
        app.get(&token, "/v1/users").await.refused(403, "not-allowed");
        app.get(&token, "/v1/service-accounts")
            .await
            .refused(403, "not-allowed");
    }
    app.stop().await;
}

// Source: RFC 6749 section 5.2, whose words stand beside the service's own code.
#[actix_web::test]
async fn a_refusal_speaks_the_words_of_the_rfc_too() {
    let app = TestApp::start().await;
    let program = program(&app, json!("all")).await;
    let (id, secret) = (&program.id, &program.secret);
    let grant = "grant_type=client_credentials";
    let nobody = "01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10";
    for (text, status, code, error) in [
        (String::new(), 400, "invalid-token-request", "invalid_request"),
        (grant.to_owned(), 400, "invalid-token-request", "invalid_request"),
        (
            format!("{grant}&client_id={id}"),
            400,
            "invalid-token-request",
            "invalid_request",
        ),
        (
            format!("{grant}&client_id={id}&client_id={id}&client_secret={secret}"),
            400,
            "invalid-token-request",
            "invalid_request",
        ),
        (
            format!("grant_type=password&client_id={id}&client_secret={secret}"),
            400,
            "unsupported-grant-type",
            "unsupported_grant_type",
        ),
        (
            format!("{grant}&client_id={id}&client_secret=cws_wrong"),
            401,
            "invalid-client",
            "invalid_client",
        ),
        (
            format!("{grant}&client_id={nobody}&client_secret={secret}"),
            401,
            "invalid-client",
            "invalid_client",
        ),
        (
            format!("{grant}&client_id=erp&client_secret={secret}"),
            401,
            "invalid-client",
            "invalid_client",
        ),
        (
            format!("{grant}&client_id={id}&client_secret={}", "x".repeat(4096)),
            400,
            "invalid-token-request",
            "invalid_request",
        ),
    ] {
        let reply = form(&app, &text).await;
        reply.refused(status, code);
        assert_eq!(reply.body["error"], error, "{text}");
        assert_eq!(reply.body["error_description"], reply.body["detail"], "{text}");
        if status == 401 {
            assert_eq!(
                reply.header("www-authenticate"),
                Some("Basic realm=\"clampward\"")
            );
        }
    }
    basic(&app, id, "cws_wrong", grant)
        .await
        .refused(401, "invalid-client");
    basic(&app, id, secret, &format!("{grant}&client_secret={secret}"))
        .await
        .refused(400, "invalid-token-request");
    app.call("POST", "/v1/oauth/token")
        .json(&json!({"grant_type": "client_credentials", "client_id": id, "client_secret": secret}))
        .send()
        .await
        .refused(415, "unsupported-media-type");
    // What the RFC does not know is ignored, and so is a scope: what the account may do is recorded with it.
    form(
        &app,
        &format!("{grant}&client_id={id}&client_secret={secret}&scope=a+b&x=1"),
    )
    .await
    .succeeded(200);
    app.stop().await;
}

#[actix_web::test]
async fn a_secret_is_replaced_without_a_gap_and_its_withdrawal_is_felt_at_once() {
    let app = TestApp::start().await;
    let mut program = program(&app, json!("all")).await;
    let first = sign_in(&app, &program).await.succeeded(200).text("/access_token");
    let administrator = app.administrator().await;
    let path = format!("/v1/service-accounts/{}/secrets", program.id);
    let second = app.post(&administrator, &path, &json!({})).await.succeeded(201);
    assert_eq!(second.body["secret_expires_at"], "2026-03-14T09:00:00Z");
    app.post(&administrator, &path, &json!({}))
        .await
        .refused(409, "secrets-full");
    sign_in(&app, &program).await.succeeded(200);
    program.secret = second.text("/client_secret");
    app.clock.advance(SignedDuration::from_secs(5));
    let other = sign_in(&app, &program).await.succeeded(200).text("/access_token");

    let revocation = format!("{path}/{}/revocation", program.secret_id);
    for _ in 0..2 {
        app.call("POST", &revocation)
            .token(&administrator)
            .send()
            .await
            .succeeded(204);
    }
    app.get(&first, "/v1/me").await.refused(401, "not-signed-in");
    app.get(&other, "/v1/me").await.succeeded(200);
    let listed = app.get(&administrator, &path).await.succeeded(200);
    let items = listed.body["items"].as_array().expect("items");
    assert_eq!(items.len(), 2);
    let of = |id: &str| items.iter().find(|item| item["id"] == id).expect("the secret");
    assert_eq!(of(&program.secret_id)["revoked_at"], "2025-03-14T09:00:05Z");
    assert_eq!(
        of(&second.text("/secret_id"))["last_used_at"],
        "2025-03-14T09:00:05Z"
    );
    assert_eq!(of(&second.text("/secret_id"))["shown"], program.secret[..8]);
    assert!(!listed.body.to_string().contains(&program.secret));
    // With one withdrawn there is room for the next.
    app.post(&administrator, &path, &json!({})).await.succeeded(201);
    app.stop().await;
}

#[actix_web::test]
async fn a_secret_ends_on_its_day_and_no_token_outlives_it() {
    let app = TestApp::start().await;
    let program = program(&app, json!("all")).await;
    app.clock
        .advance(SignedDuration::from_hours(30 * 24) - SignedDuration::from_secs(100));
    let last = sign_in(&app, &program).await.succeeded(200);
    assert_eq!(last.body["expires_in"], 100);
    app.clock.advance(SignedDuration::from_secs(100));
    sign_in(&app, &program).await.refused(401, "invalid-client");
    app.clock.advance(SignedDuration::from_secs(60));
    app.get(&last.text("/access_token"), "/v1/me")
        .await
        .refused(401, "not-signed-in");
    let administrator = app.administrator().await;
    for days in [0, 366] {
        let new = json!({"name": "Plant ERP", "yards": "all", "secret_days": days});
        app.post(&administrator, "/v1/service-accounts", &new)
            .await
            .refused(422, "invalid-input")
            .at("/secret_days", "out-of-range");
    }
    app.stop().await;
}

#[actix_web::test]
async fn closing_a_service_account_ends_its_tokens_and_secrets_for_good() {
    let app = TestApp::start().await;
    let program = program(&app, json!("all")).await;
    let token = sign_in(&app, &program).await.succeeded(200).text("/access_token");
    let administrator = app.administrator().await;
    let path = format!("/v1/service-accounts/{}", program.id);
    for enabled in [false, true] {
        let read = app.get(&administrator, &path).await.succeeded(200);
        let change = json!({ "enabled": enabled });
        app.patch(&administrator, &path, read.etag(), &change)
            .await
            .succeeded(200);
        app.get(&token, "/v1/me").await.refused(401, "not-signed-in");
        sign_in(&app, &program).await.refused(401, "invalid-client");
    }
    app.post(&administrator, &format!("{path}/secrets"), &json!({}))
        .await
        .succeeded(201);
    app.stop().await;
}

#[actix_web::test]
async fn a_change_names_its_version_and_moves_what_the_account_sees_at_once() {
    let app = TestApp::start().await;
    let program = program(&app, json!("all")).await;
    let token = sign_in(&app, &program).await.succeeded(200).text("/access_token");
    let administrator = app.administrator().await;
    let yard = app.yard(&administrator, "PEL", json!({})).await;
    let path = format!("/v1/service-accounts/{}", program.id);
    let read = app.get(&administrator, &path).await.succeeded(200);
    let change = json!({"name": "Plant ERP, counts", "yards": [yard]});
    app.call("PATCH", &path)
        .token(&administrator)
        .json(&change)
        .send()
        .await
        .refused(428, "version-missing");
    let changed = app
        .patch(&administrator, &path, read.etag(), &change)
        .await
        .succeeded(200);
    assert_eq!(
        (&changed.body["version"], &changed.body["yards"]),
        (&json!(2), &json!([yard]))
    );
    app.patch(&administrator, &path, read.etag(), &change)
        .await
        .refused(412, "version-stale");
    let me = app.get(&token, "/v1/me").await.succeeded(200);
    assert_eq!(me.body["yards"], json!([yard]));
    let listed = app
        .get(&administrator, "/v1/service-accounts")
        .await
        .succeeded(200);
    assert_eq!(listed.body["items"].as_array().map(Vec::len), Some(1));
    assert_eq!(listed.text("/items/0/id"), program.id);
    app.verify().await;
    app.stop().await;
}

#[actix_web::test]
async fn a_service_account_is_nobody() {
    let app = TestApp::start().await;
    let program = program(&app, json!("all")).await;
    let administrator = app.administrator().await;
    let person = format!("/v1/users/{}", program.id);
    app.get(&administrator, &person).await.refused(404, "not-found");
    app.patch(&administrator, &person, "*", &json!({"roles": ["administrator"]}))
        .await
        .refused(404, "not-found");
    app.call("POST", &format!("{person}/set-password-tokens"))
        .token(&administrator)
        .send()
        .await
        .refused(404, "not-found");
    let competence = json!({"kind": "qualified_person", "valid_from": "2025-01-01"});
    app.post(&administrator, &format!("{person}/competences"), &competence)
        .await
        .refused(404, "not-found");
    let people = app.get(&administrator, "/v1/users").await.succeeded(200);
    assert_eq!(people.body["items"].as_array().map(Vec::len), Some(1));
    let address = format!("{}@service-accounts.invalid", program.id);
    app.try_sign_in(&address, &program.secret)
        .await
        .refused(401, "wrong-credentials");
    // The database says the same to whoever writes past the service.
    for statement in [
        "insert into credential (person_id, password_hash, set_at) select id, 'x', now() from person where kind = 'service'",
        "insert into competence (id, person_id, kind, valid_from, position, recorded_at, recorded_by)
         select gen_random_uuid(), id, 'qualified_person', '2025-01-01', 1, now(), gen_random_uuid() from person where kind = 'service'",
    ] {
        assert_eq!(app.refused_sql(statement).await.as_deref(), Some("CW005"));
    }
    let me = app.get(&administrator, "/v1/me").await.succeeded(200);
    let no_program = format!("/v1/service-accounts/{}", me.text("/id"));
    app.get(&administrator, &no_program)
        .await
        .refused(404, "not-found");
    app.post(&administrator, &format!("{no_program}/secrets"), &json!({}))
        .await
        .refused(404, "not-found");
    assert_eq!(me.text("/email"), ADMINISTRATOR);
    app.stop().await;
}
