//! `Idempotency-Key`: what is created or commanded under a key is done once.

use crate::support::{Keys, Reply, TestApp};
use crate::trade::bodies::bulletin_about;
use crate::trade::{Fleet, Person, kg, mm};
use jiff::SignedDuration;
use serde_json::{Value, json};
use uuid::Uuid;

const KEY: &str = "\"8e03978e-40d5-43e8-bc93-6894a57f9324\"";
const BARE: &str = "8e03978e-40d5-43e8-bc93-6894a57f9324";
const OTHER: &str = "\"d2b3c6f0-1a57-4f0e-9f6d-0c1f2b9a7e55\"";

impl Fleet {
    async fn keyed(&self, by: &Person, path: &str, key: &str, body: &Value) -> Reply {
        let call = self.app.call("POST", path).token(&self.token(by));
        call.header("Idempotency-Key", key).json(body).send().await
    }
}

fn yard(code: &str) -> Value {
    json!({"code": code, "name": format!("Yard {code}"), "time_zone": "Europe/London", "rule_set": "gb-loler"})
}
fn user(name: &str) -> Value {
    json!({"email": format!("{name}@halvorsund.example"), "name": name, "roles": ["operator"], "yards": "all"})
}

/// Every request that is neither an entry nor a sign-in, in a form that is taken once.
async fn requests(fleet: &Fleet) -> Vec<(String, Person, Value)> {
    let administrator = fleet.administrator.clone();
    let competence = fleet
        .competent(&fleet.keeper, "designated_person", json!({}))
        .await;
    let keeper = &fleet.keeper.id;
    let model = json!({
        "maker": "Tornhagen", "model": "V5", "kind": "vertical", "wll": kg("3000"), "lock": "spring", "eye": "free",
        "jaw_opening": {"min": mm("0"), "max": mm("40")},
    });
    let program = json!({"name": "Plant ERP", "yards": "all"});
    let account = fleet
        .post(&administrator, "/v1/service-accounts", &program)
        .await
        .succeeded(201);
    let (account, secret) = (account.text("/id"), account.text("/secret_id"));
    let competent = json!({"kind": "repair_technician", "valid_from": "2025-01-01"});
    let by = fleet.token(&administrator);
    let enrolment = fleet.app.enrolment(&by, &[&fleet.newport]).await.text("/id");
    let device = fleet.app.device(&by, &[&fleet.newport]).await;
    let theirs = fleet.app.signing_key(&device, &by, &administrator.id).await;
    let lost = fleet.app.device(&by, &[&fleet.newport]).await;
    let (placed, dismissed) = (fleet.held(&device).await, fleet.held(&device).await);
    let clamp = fleet.fit_clamp("4711").await;
    let notice = fleet.app.notice(&administrator.id, &clamp, &fleet.newport).await;
    let bulletin = bulletin_about("SB-1", &fleet.model, "4711");
    let opened = fleet.post(&fleet.safety, "/v1/bulletins", &bulletin).await;
    let opened = opened.succeeded(201).text("/id");
    let nothing = bulletin_about("SB-2", &fleet.model, "none");
    let closable = fleet.post(&fleet.safety, "/v1/bulletins", &nothing).await;
    let closable = closable.succeeded(201).text("/id");
    fleet.app.hold().await;
    let hooks = "/v1/webhook-endpoints";
    let hook = json!({"url": "https://erp.halvorsund.example/hooks", "description": "Counts"});
    let mut endpoints = Vec::new();
    for _ in 0..2 {
        let made = fleet.post(&administrator, hooks, &hook).await;
        endpoints.push(made.succeeded(201).text("/id"));
    }
    let (endpoint, removed) = (&endpoints[0], &endpoints[1]);
    let look_until = (fleet.now() + jiff::SignedDuration::from_hours(240)).to_string()[..10].to_owned();
    let keys = Keys::fresh();
    let made = fleet.app.signing_key_request(&device, &administrator.id, &keys);
    [
        (
            "/v1/device-enrolments".to_owned(),
            json!({"name": "Tablet 3", "yards": [fleet.newport]}),
        ),
        (
            format!("/v1/device-enrolments/{enrolment}/withdrawal"),
            Value::Null,
        ),
        (
            format!("/v1/devices/{}/signing-keys/{}/revocation", device.id, theirs.id),
            json!({"reason": "short code was seen"}),
        ),
        (format!("/v1/devices/{}/signing-keys", device.id), made),
        (
            format!("/v1/devices/{}/revocation", lost.id),
            json!({"reason": "left behind on the quay"}),
        ),
        ("/v1/yards".to_owned(), yard("FHV")),
        (
            format!("/v1/held-entries/{placed}/placements"),
            json!({"clamp_id": clamp}),
        ),
        (
            format!("/v1/held-entries/{dismissed}/dismissal"),
            json!({"reason": "written again by hand"}),
        ),
        (format!("/v1/notices/{notice}/acknowledgement"), Value::Null),
        (
            "/v1/bulletins".to_owned(),
            bulletin_about("SB-3", &fleet.model, "none"),
        ),
        (
            format!("/v1/bulletins/{opened}/not-found"),
            json!({"clamp_id": clamp, "owner": fleet.lead.id, "look_until": look_until, "note": "Not in the crib"}),
        ),
        (format!("/v1/bulletins/{closable}/closure"), Value::Null),
        (hooks.to_owned(), hook),
        (format!("{hooks}/{endpoint}/secrets"), json!({})),
        (format!("{hooks}/{endpoint}/test-deliveries"), Value::Null),
        (
            format!("{hooks}/{endpoint}/redeliveries"),
            json!({"from": fleet.now() - jiff::SignedDuration::from_hours(1)}),
        ),
        (format!("{hooks}/{removed}/removal"), Value::Null),
        ("/v1/models".to_owned(), model),
        ("/v1/users".to_owned(), user("ida")),
        (format!("/v1/users/{keeper}/set-password-tokens"), Value::Null),
        (format!("/v1/users/{keeper}/competences"), competent),
        (
            format!("/v1/users/{keeper}/competences/{competence}/revocation"),
            json!({"revoked_from": "2025-02-01"}),
        ),
        (
            "/v1/service-accounts".to_owned(),
            json!({"name": "Field app", "yards": "all"}),
        ),
        (format!("/v1/service-accounts/{account}/secrets"), json!({})),
        (
            format!("/v1/service-accounts/{account}/secrets/{secret}/revocation"),
            Value::Null,
        ),
    ]
    .into_iter()
    .map(|(path, body)| {
        // An administrator keeps no held entries, and opens no bulletin.
        let held = path.starts_with("/v1/held-entries") || path.starts_with("/v1/bulletins");
        let by = if held {
            fleet.safety.clone()
        } else {
            administrator.clone()
        };
        (path, by, body)
    })
    .collect()
}

async fn send(fleet: &Fleet, path: &str, by: &Person, key: &str, body: &Value) -> Reply {
    if body.is_null() {
        let call = fleet.app.call("POST", path).token(&fleet.token(by));
        return call.header("Idempotency-Key", key).send().await;
    }
    fleet.keyed(by, path, key, body).await
}

#[actix_web::test]
async fn a_request_that_is_sent_again_under_its_key_is_done_once_and_gets_its_first_answer() {
    let fleet = Fleet::start().await;
    for (path, by, body) in requests(&fleet).await {
        let before = fleet.app.stored().await;
        let first = send(&fleet, &path, &by, KEY, &body).await;
        assert!(matches!(first.status, 200 | 201 | 204), "{path}: {}", first.body);
        assert_eq!(first.header("idempotency-replayed"), None, "{path}");
        let done = fleet.app.stored().await;
        // A device that is revoked is another version of its account, and its end.
        assert!(done.0 <= before.0 + 2, "{path}");
        fleet.later();
        for key in [KEY, BARE] {
            let again = send(&fleet, &path, &by, key, &body).await;
            assert_eq!(
                (again.status, &again.bytes),
                (first.status, &first.bytes),
                "{path}"
            );
            assert_eq!(again.header("idempotency-replayed"), Some("true"), "{path}");
            for name in ["etag", "location", "content-type"] {
                assert_eq!(again.header(name), first.header(name), "{path}: {name}");
            }
            assert_ne!(again.header("x-request-id"), first.header("x-request-id"));
        }
        assert_eq!(fleet.app.stored().await, done, "{path}");
    }
    fleet.stop().await;
}

#[actix_web::test]
async fn the_same_body_in_another_notation_is_the_same_and_another_body_is_refused() {
    let fleet = Fleet::start().await;
    let first = fleet
        .keyed(&fleet.administrator, "/v1/yards", KEY, &yard("FHV"))
        .await
        .succeeded(201);
    let text =
        br#"{ "rule_set": "gb-loler", "time_zone":"Europe/London", "name":"Yard \u0046HV", "code":"FHV" }"#;
    let again = fleet
        .app
        .call("POST", "/v1/yards")
        .token(&fleet.token(&fleet.administrator))
        .header("Idempotency-Key", KEY)
        .header("Content-Type", "application/json")
        .raw(text.to_vec())
        .send()
        .await
        .succeeded(201);
    assert_eq!(again.bytes, first.bytes);
    let stored = fleet.app.stored().await;
    let other = fleet
        .keyed(&fleet.administrator, "/v1/yards", KEY, &yard("CRH"))
        .await;
    other.refused(422, "idempotency-key-reused");
    assert_eq!(fleet.app.stored().await, stored);
    fleet.stop().await;
}

#[actix_web::test]
async fn a_key_is_one_persons_and_one_addresss() {
    let fleet = Fleet::start().await;
    let second = fleet.person("Ola Berg", &["administrator"], &json!("all")).await;
    let one = fleet
        .keyed(&fleet.administrator, "/v1/yards", KEY, &yard("FHV"))
        .await
        .succeeded(201);
    let theirs = fleet
        .keyed(&second, "/v1/yards", KEY, &yard("CRH"))
        .await
        .succeeded(201);
    assert_eq!(theirs.header("idempotency-replayed"), None);
    assert_ne!(one.text("/id"), theirs.text("/id"));
    let elsewhere = fleet
        .keyed(&fleet.administrator, "/v1/users", KEY, &user("ida"))
        .await
        .succeeded(201);
    assert_eq!(elsewhere.header("idempotency-replayed"), None);
    fleet.stop().await;
}

/// Goal: two at once are one. Method: the ledger's head is held, so that the first waits in the middle of its transaction;
/// the second is answered at once; then the first goes on.
#[actix_web::test]
async fn while_the_first_is_still_being_done_the_second_is_told_to_come_again() {
    let fleet = Fleet::start().await;
    let held = fleet.app.hold_ledger().await;
    let body = yard("FHV");
    let first = fleet.keyed(&fleet.administrator, "/v1/yards", KEY, &body);
    let second = async {
        fleet.app.until_somebody_waits().await;
        let second = fleet.keyed(&fleet.administrator, "/v1/yards", KEY, &body).await;
        second.refused(409, "idempotency-key-in-use");
        assert_eq!(second.header("retry-after"), Some("1"));
        held.let_go().await;
    };
    let (first, ()) = tokio::join!(first, second);
    let first = first.succeeded(201);
    let again = fleet
        .keyed(&fleet.administrator, "/v1/yards", KEY, &body)
        .await
        .succeeded(201);
    assert_eq!(again.bytes, first.bytes);
    fleet.stop().await;
}

#[actix_web::test]
async fn what_was_refused_is_not_kept_and_may_be_put_right_under_the_same_key() {
    let fleet = Fleet::start().await;
    let mut faulty = yard("FHV");
    faulty["name"] = json!("");
    let by = &fleet.administrator;
    fleet
        .keyed(by, "/v1/yards", KEY, &faulty)
        .await
        .refused(422, "invalid-input");
    fleet
        .keyed(by, "/v1/yards", KEY, &yard("NPT"))
        .await
        .refused(409, "code-taken");
    assert!(fleet.app.kept_answers().await.is_empty());
    let done = fleet
        .keyed(by, "/v1/yards", KEY, &yard("FHV"))
        .await
        .succeeded(201);
    assert_eq!(done.header("idempotency-replayed"), None);
    assert_eq!(fleet.app.kept_answers().await.len(), 1);
    fleet.stop().await;
}

/// Goal: never the effect without the answer, nor the answer without the effect. Method: the database refuses to keep the
/// answer, after everything else was written.
#[actix_web::test]
async fn where_the_answer_cannot_be_kept_nothing_was_done() {
    let fleet = Fleet::start().await;
    fleet
        .app
        .as_owner("revoke insert on kept_answer from clampward_door")
        .await;
    let before = fleet.app.stored().await;
    let by = &fleet.administrator;
    for (path, body) in [("/v1/yards", yard("FHV")), ("/v1/users", user("ida"))] {
        let failed = fleet.keyed(by, path, KEY, &body).await;
        failed.refused(500, "internal-error");
    }
    assert_eq!(fleet.app.stored().await, before);
    fleet
        .app
        .as_owner("grant insert on kept_answer to clampward_door")
        .await;
    fleet
        .keyed(by, "/v1/users", KEY, &user("ida"))
        .await
        .succeeded(201);
    fleet.stop().await;
}

#[actix_web::test]
async fn an_answer_is_kept_for_72_hours_and_then_forgotten() {
    let fleet = Fleet::start().await;
    let path = format!("/v1/users/{}/set-password-tokens", fleet.keeper.id);
    let ask = async || {
        send(&fleet, &path, &fleet.administrator, KEY, &Value::Null)
            .await
            .succeeded(201)
    };
    let first = ask().await;
    fleet.app.clock.advance(SignedDuration::from_mins(72 * 60 - 1));
    assert_eq!(ask().await.bytes, first.bytes);
    let store = fleet.app.store().await;
    assert_eq!(store.forget_kept_answers().await.expect("a count"), 0);
    fleet.app.clock.advance(SignedDuration::from_mins(1));
    let anew = ask().await;
    assert_eq!(anew.header("idempotency-replayed"), None);
    assert_ne!(
        anew.text("/set_password_token"),
        first.text("/set_password_token")
    );
    fleet.app.clock.advance(SignedDuration::from_hours(72));
    assert_eq!(store.forget_kept_answers().await.expect("a count"), 1);
    assert!(fleet.app.kept_answers().await.is_empty());
    let limits = fleet.app.call("GET", "/v1/limits").send().await.succeeded(200);
    let rows = limits.body["items"].as_array().cloned().expect("rows");
    let kept = rows.iter().find(|row| row["name"] == "idempotency_key_hours");
    assert_eq!(kept.map(|row| &row["value"]), Some(&json!(72)));
    fleet.stop().await;
}

/// Goal: a one-time token that an answer shows lies nowhere in clear. Method: everything that is kept is searched for the
/// token, for the key and for the body, in the forms in which they could stand there.
#[actix_web::test]
async fn what_is_kept_shows_neither_secrets_nor_keys() {
    let fleet = Fleet::start().await;
    let created = fleet
        .keyed(&fleet.administrator, "/v1/users", KEY, &user("ida"))
        .await
        .succeeded(201);
    let key: Uuid = BARE.parse().expect("a UUID");
    let kept = fleet.app.kept_answers().await.concat();
    for needle in [
        created.text("/set_password_token").as_bytes(),
        b"cwp_",
        b"ida@halvorsund.example",
        BARE.as_bytes(),
        key.as_bytes(),
    ] {
        let there = kept.windows(needle.len()).any(|part| part == needle);
        assert!(!there, "{}", String::from_utf8_lossy(needle));
    }
    // And the person can use what the second answer shows.
    let again = fleet
        .keyed(&fleet.administrator, "/v1/users", KEY, &user("ida"))
        .await
        .succeeded(201);
    let set =
        json!({"token": again.text("/set_password_token"), "password": "ladles hum beyond copper dunes"});
    let call = fleet.app.call("POST", "/v1/auth/set-password").json(&set);
    call.send().await.succeeded(204);
    fleet.stop().await;
}

#[actix_web::test]
async fn a_key_that_is_none_is_refused_before_anything_is_done() {
    let fleet = Fleet::start().await;
    let before = fleet.app.stored().await;
    let long = format!("\"{}\"", "x".repeat(300));
    for key in [
        "",
        "7",
        "\"\"",
        "\"x\"",
        BARE.trim_end_matches('4'),
        long.as_str(),
    ] {
        let refused = fleet
            .keyed(&fleet.administrator, "/v1/yards", key, &yard("FHV"))
            .await;
        refused.refused(400, "invalid-header");
    }
    assert_eq!(fleet.app.stored().await, before);
    // Somebody who may not do it learns nothing about their key.
    let stranger = fleet.keyed(&fleet.operator, "/v1/yards", "7", &yard("FHV")).await;
    stranger.refused(403, "not-allowed");
    fleet
        .keyed(&fleet.administrator, "/v1/yards", OTHER, &yard("FHV"))
        .await
        .succeeded(201);
    fleet.stop().await;
}

#[actix_web::test]
async fn who_lost_the_permission_gets_no_kept_answer() {
    let fleet = Fleet::start().await;
    let second = fleet.person("Ola Berg", &["administrator"], &json!("all")).await;
    fleet
        .keyed(&second, "/v1/yards", KEY, &yard("FHV"))
        .await
        .succeeded(201);
    let path = format!("/v1/users/{}", second.id);
    let token = fleet.token(&fleet.administrator);
    let account = fleet.app.get(&token, &path).await.succeeded(200);
    let change = json!({"roles": ["operator"]});
    fleet
        .app
        .patch(&token, &path, account.etag(), &change)
        .await
        .succeeded(200);
    let again = fleet.keyed(&second, "/v1/yards", KEY, &yard("FHV")).await;
    assert!(again.status == 401 || again.status == 403, "{}", again.body);
    fleet.stop().await;
}

/// Goal: a kept answer may show what its bearer must no longer see. Method: an administrator of all yards becomes one of a
/// single yard and sends the same request again.
#[actix_web::test]
async fn who_sees_less_than_then_gets_no_kept_answer() {
    let fleet = Fleet::start().await;
    let second = fleet.person("Ola Berg", &["administrator"], &json!("all")).await;
    fleet
        .keyed(&second, "/v1/users", KEY, &user("ida"))
        .await
        .succeeded(201);
    let path = format!("/v1/users/{}", second.id);
    let token = fleet.token(&fleet.administrator);
    let account = fleet.app.get(&token, &path).await.succeeded(200);
    let change = json!({"yards": [fleet.newport]});
    fleet
        .app
        .patch(&token, &path, account.etag(), &change)
        .await
        .succeeded(200);
    fleet
        .keyed(&second, "/v1/users", KEY, &user("ida"))
        .await
        .refused(403, "not-allowed");
    fleet.stop().await;
}

/// Goal: no request that could be done twice by accident is forgotten. Method: the published contract; what is neither an
/// entry (its own id is its key), nor sign-in, nor a question, takes the key.
#[actix_web::test]
async fn every_post_that_is_no_entry_and_no_sign_in_takes_the_key() {
    let app = TestApp::start().await;
    let contract = app.call("GET", "/openapi.json").send().await.succeeded(200);
    let mut taking = 0;
    for (path, item) in contract.body["paths"].as_object().expect("paths") {
        let post = &item["post"];
        // A device enrols before anybody is known to call; its code and key are what makes it once.
        let public = post["x-permission"] == "public";
        let does_without = public
            || [
                "/v1/clamps",
                "/v1/auth/",
                "/v1/oauth/",
                "/v1/lift-checks",
                "/v1/bulletins/preview",
                "/v1/sync/",
            ]
            .iter()
            .any(|beginning| path.starts_with(beginning));
        if !post.is_object() || does_without {
            continue;
        }
        let parameters = post["parameters"].as_array().cloned().unwrap_or_default();
        assert!(
            parameters
                .iter()
                .any(|parameter| parameter["in"] == "header" && parameter["name"] == "Idempotency-Key"),
            "POST {path}"
        );
        taking += 1;
    }
    assert!(taking >= 9, "{taking}");
    app.stop().await;
}
