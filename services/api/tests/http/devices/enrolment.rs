//! A code that a person makes and one device redeems.

use crate::support::{Keys, TestApp};
use crate::trade::Fleet;
use jiff::SignedDuration;
use serde_json::json;

#[actix_web::test]
async fn a_device_enrols_with_a_code_signs_in_by_its_key_and_is_who_it_is() {
    let fleet = Fleet::start().await;
    let lead = fleet.token(&fleet.lead);
    let made = fleet.app.enrolment(&lead, &[&fleet.newport]).await;
    assert_eq!(made.body["expires_at"], "2025-03-15T09:00:00Z");
    let keys = Keys::fresh();
    let enrolled = fleet.app.redeem(&made.text("/code"), &keys).await.succeeded(201);
    assert_eq!(enrolled.body["device_number"], 1);
    assert_eq!(enrolled.body["yards"], json!([fleet.newport]));
    assert_eq!(enrolled.body["audience"], "https://clampward.test");
    let id = enrolled.text("/device_id");
    assert_eq!(
        enrolled.header("location"),
        Some(format!("/v1/devices/{id}").as_str())
    );

    let device = crate::support::Device { id, keys };
    let signed_in = fleet
        .app
        .assert(&device.assertion(fleet.now()))
        .await
        .succeeded(200);
    assert_eq!(signed_in.body["token_type"], "Bearer");
    assert_eq!(signed_in.body["expires_in"], 900);
    assert_eq!(signed_in.body.get("refresh_token"), None);
    assert_eq!(signed_in.header("cache-control"), Some("no-store"));
    let token = signed_in.text("/access_token");
    let me = fleet.app.get(&token, "/v1/me").await.succeeded(200);
    assert_eq!(
        (me.text("/id"), &me.body["roles"], &me.body["yards"]),
        (device.id.clone(), &json!(["device"]), &json!([fleet.newport]))
    );
    // What it needs to judge by, of its yards alone.
    let yards = fleet.app.get(&token, "/v1/yards").await.succeeded(200);
    assert_eq!(yards.body["items"].as_array().map(Vec::len), Some(1));
    for path in ["/v1/clamps", "/v1/users", "/v1/devices", "/v1/device-enrolments"] {
        fleet.app.get(&token, path).await.refused(403, "not-allowed");
    }
    // Whoever made the code is on record for the device.
    let listed = fleet.get(&fleet.lead, "/v1/devices").await.succeeded(200);
    assert_eq!(listed.text("/items/0/enrolled_by"), fleet.lead.id);
    let codes = fleet
        .get(&fleet.lead, "/v1/device-enrolments")
        .await
        .succeeded(200);
    assert_eq!(codes.text("/items/0/device_id"), device.id);
    assert!(!codes.body.to_string().contains(&made.text("/code")));
    fleet.stop().await;
}

#[actix_web::test]
async fn the_same_device_gets_its_answer_again_and_another_key_opens_nothing() {
    let fleet = Fleet::start().await;
    let lead = fleet.token(&fleet.lead);
    let code = fleet.app.enrolment(&lead, &[&fleet.newport]).await.text("/code");
    let keys = Keys::fresh();
    let first = fleet.app.redeem(&code, &keys).await.succeeded(201);
    let stored = fleet.app.stored().await;
    for written in [code.clone(), code.to_lowercase(), code.replace('-', "")] {
        let again = fleet.app.redeem(&written, &keys).await.succeeded(201);
        assert_eq!(again.body, first.body);
    }
    fleet
        .app
        .redeem(&code, &Keys::fresh())
        .await
        .refused(422, "enrolment-code-invalid");
    // The same key for another device is refused too, and leaves that code as it was.
    let other = fleet.app.enrolment(&lead, &[&fleet.newport]).await.text("/code");
    fleet.app.redeem(&other, &keys).await.refused(409, "key-in-use");
    assert_eq!(fleet.app.stored().await, stored);
    fleet.app.redeem(&other, &Keys::fresh()).await.succeeded(201);
    // For as long as the code lives, and not after the device was revoked.
    let path = format!("/v1/devices/{}/revocation", first.text("/device_id"));
    fleet
        .post(&fleet.lead, &path, &json!({"reason": "mistake"}))
        .await
        .succeeded(200);
    fleet
        .app
        .redeem(&code, &keys)
        .await
        .refused(422, "enrolment-code-invalid");
    fleet.stop().await;
}

/// Goal: one code is one device. Method: the ledger's head is held, so that both wait in the middle of their transactions;
/// then they go on.
#[actix_web::test]
async fn of_two_devices_with_one_code_at_the_same_instant_one_is_enrolled() {
    let fleet = Fleet::start().await;
    let lead = fleet.token(&fleet.lead);
    for same in [false, true] {
        let code = fleet.app.enrolment(&lead, &[&fleet.newport]).await.text("/code");
        let (one, other) = (Keys::fresh(), Keys::fresh());
        let other = if same { &one } else { &other };
        let before = fleet.app.stored().await;
        let held = fleet.app.hold_ledger().await;
        let let_go = async {
            fleet.app.until_waiting(2).await;
            held.let_go().await;
        };
        let (first, second, ()) = tokio::join!(
            fleet.app.redeem(&code, &one),
            fleet.app.redeem(&code, other),
            let_go
        );
        let mut statuses = [first.status, second.status];
        statuses.sort_unstable();
        assert_eq!(statuses, if same { [201, 201] } else { [201, 422] });
        if same {
            assert_eq!(first.body, second.body);
        }
        assert_eq!(fleet.app.stored().await.0, before.0 + 1);
    }
    fleet.stop().await;
}

#[actix_web::test]
async fn a_code_that_is_over_withdrawn_or_mistyped_opens_nothing() {
    let fleet = Fleet::start().await;
    let lead = fleet.token(&fleet.lead);
    let made = fleet.app.enrolment(&lead, &[&fleet.newport]).await;
    let withdrawal = format!("/v1/device-enrolments/{}/withdrawal", made.text("/id"));
    for _ in 0..2 {
        fleet
            .post(&fleet.lead, &withdrawal, &json!({}))
            .await
            .succeeded(204);
    }
    fleet
        .app
        .redeem(&made.text("/code"), &Keys::fresh())
        .await
        .refused(422, "enrolment-code-invalid");

    let other = fleet.app.enrolment(&lead, &[&fleet.newport]).await;
    let code = other.text("/code");
    let last = if code.ends_with('0') { "1" } else { "0" };
    for mistyped in [
        format!("{}{last}", &code[..code.len() - 1]),
        code[1..].to_owned(),
        String::new(),
        "U".repeat(25),
        "x".repeat(64),
    ] {
        fleet
            .app
            .redeem(&mistyped, &Keys::fresh())
            .await
            .refused(422, "enrolment-code-invalid");
    }
    let before = fleet.app.stored().await;
    fleet.app.clock.advance(SignedDuration::from_hours(24));
    fleet
        .app
        .redeem(&code, &Keys::fresh())
        .await
        .refused(422, "enrolment-code-invalid");
    assert_eq!(fleet.app.stored().await, before);
    fleet.stop().await;
}

#[actix_web::test]
async fn a_code_that_was_redeemed_is_not_withdrawn_but_its_device_revoked() {
    let fleet = Fleet::start().await;
    let lead = fleet.token(&fleet.lead);
    let made = fleet.app.enrolment(&lead, &[&fleet.newport]).await;
    fleet
        .app
        .redeem(&made.text("/code"), &Keys::fresh())
        .await
        .succeeded(201);
    let withdrawal = format!("/v1/device-enrolments/{}/withdrawal", made.text("/id"));
    fleet
        .post(&fleet.lead, &withdrawal, &json!({}))
        .await
        .refused(409, "enrolment-used");
    fleet.stop().await;
}

#[actix_web::test]
async fn guessing_at_a_code_is_slowed_down_and_the_right_code_forgives_it() {
    let fleet = Fleet::start().await;
    let lead = fleet.token(&fleet.lead);
    let code = fleet.app.enrolment(&lead, &[&fleet.newport]).await.text("/code");
    let guess = format!("{}-00000-00000-00000-00000", &code[..5]);
    let keys = Keys::fresh();
    for _ in 0..5 {
        fleet
            .app
            .redeem(&guess, &keys)
            .await
            .refused(422, "enrolment-code-invalid");
    }
    // Also the right one has to wait: otherwise a guess would tell whether it was.
    let slowed = fleet.app.redeem(&code, &keys).await;
    slowed.refused(429, "too-many-requests");
    assert_eq!(slowed.header("retry-after"), Some("1"));
    // Another code is not touched by it.
    let other = fleet.app.enrolment(&lead, &[&fleet.newport]).await.text("/code");
    fleet.app.redeem(&other, &Keys::fresh()).await.succeeded(201);
    fleet.app.clock.advance(SignedDuration::from_secs(1));
    fleet.app.redeem(&code, &keys).await.succeeded(201);
    assert_eq!(fleet.app.tried_accounts().await, 0);
    fleet.stop().await;
}

#[actix_web::test]
async fn a_key_that_is_none_or_that_its_bearer_does_not_have_is_refused_by_field() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let yard = app.yard(&administrator, "PEL", json!({})).await;
    let code = app.enrolment(&administrator, &[&yard]).await.text("/code");
    let keys = Keys::fresh();
    let good = keys.enrolling(&code);
    let before = app.stored().await;
    // The neutral element of the curve: everybody can sign with it.
    let neutral = format!("AQ{}", "A".repeat(41));
    for (field, value, fault) in [
        ("public_key", json!(""), "invalid-key"),
        ("public_key", json!(format!("{}=", keys.public())), "invalid-key"),
        ("public_key", json!(&keys.public()[1..]), "invalid-key"),
        ("public_key", json!("Ü".repeat(43)), "invalid-key"),
        ("public_key", json!(neutral), "invalid-key"),
        ("possession", json!(""), "invalid-signature"),
        ("possession", json!("A".repeat(85)), "invalid-signature"),
        ("possession", json!("A".repeat(86)), "wrong-signature"),
        (
            "possession",
            json!(Keys::fresh().sign(b"clampward-enrolment-v1")),
            "wrong-signature",
        ),
        (
            "possession",
            json!(keys.sign(format!("clampward-signing-key-v1\n{code}").as_bytes())),
            "wrong-signature",
        ),
    ] {
        let mut body = good.clone();
        body[field] = value;
        app.call("POST", "/v1/devices")
            .json(&body)
            .send()
            .await
            .refused(422, "invalid-input")
            .at(&format!("/{field}"), fault);
    }
    let mut more = good.clone();
    more["name"] = json!("mine");
    app.call("POST", "/v1/devices")
        .json(&more)
        .send()
        .await
        .refused(422, "invalid-input")
        .at("/name", "unknown-field");
    assert_eq!(app.stored().await, before);
    // None of them cost an attempt.
    assert_eq!(app.tried_accounts().await, 0);
    app.call("POST", "/v1/devices")
        .json(&good)
        .send()
        .await
        .succeeded(201);
    app.stop().await;
}

#[actix_web::test]
async fn a_code_is_made_for_ones_own_yards_alone() {
    let fleet = Fleet::start().await;
    let ask = async |yards: serde_json::Value| {
        let new = json!({"name": "Tablet 3", "yards": yards});
        fleet.post(&fleet.lead, "/v1/device-enrolments", &new).await
    };
    ask(json!([fleet.clydebank])).await.refused(404, "not-found");
    ask(json!([fleet.newport, fleet.clydebank]))
        .await
        .refused(404, "not-found");
    let nowhere = fleet.new_id();
    ask(json!([nowhere])).await.refused(404, "not-found");
    ask(json!([]))
        .await
        .refused(422, "invalid-input")
        .at("/yards", "out-of-range");
    ask(json!(vec![fleet.newport.clone(); 51]))
        .await
        .refused(422, "invalid-input")
        .at("/yards", "out-of-range");
    ask(json!("all")).await.refused(422, "invalid-input");
    ask(json!([fleet.newport, fleet.galveston])).await.succeeded(201);
    let new = json!({"name": " ", "yards": [fleet.newport]});
    fleet
        .post(&fleet.lead, "/v1/device-enrolments", &new)
        .await
        .refused(422, "invalid-input")
        .at("/name", "invalid-name");
    let new = json!({"name": "Tablet 3", "yards": [nowhere]});
    fleet
        .post(&fleet.safety, "/v1/device-enrolments", &new)
        .await
        .refused(422, "invalid-input")
        .at("/yards/0", "unknown-yard");
    // Elsewhere it is not there.
    let made = fleet
        .app
        .enrolment(&fleet.token(&fleet.safety), &[&fleet.clydebank])
        .await;
    let withdrawal = format!("/v1/device-enrolments/{}/withdrawal", made.text("/id"));
    fleet
        .post(&fleet.lead, &withdrawal, &json!({}))
        .await
        .refused(404, "not-found");
    fleet.stop().await;
}

/// Goal: a code is worth what its maker is. Method: a code is made, then its maker's account is closed, or loses the yard
/// or the role; another one's code opens as before.
#[actix_web::test]
async fn a_code_opens_nothing_once_its_maker_may_not_make_it_any_more() {
    let fleet = Fleet::start().await;
    let administrator = fleet.token(&fleet.administrator);
    for (name, change) in [
        ("Closed Maker", json!({"enabled": false})),
        ("Moved Maker", json!({"yards": [fleet.galveston]})),
        ("Former Maker", json!({"roles": ["operator"]})),
    ] {
        let yards = json!([fleet.newport, fleet.galveston]);
        let maker = fleet.person(name, &["yard_lead"], &yards).await;
        let token = fleet.token(&maker);
        let code = fleet
            .app
            .enrolment(&token, &[&fleet.newport, &fleet.galveston])
            .await
            .text("/code");
        let path = format!("/v1/users/{}", maker.id);
        let account = fleet.app.get(&administrator, &path).await.succeeded(200);
        fleet
            .app
            .patch(&administrator, &path, account.etag(), &change)
            .await
            .succeeded(200);
        let before = fleet.app.stored().await;
        fleet
            .app
            .redeem(&code, &Keys::fresh())
            .await
            .refused(422, "enrolment-code-invalid");
        assert_eq!(fleet.app.stored().await, before, "{change}");
    }
    let lead = fleet.token(&fleet.lead);
    let code = fleet.app.enrolment(&lead, &[&fleet.newport]).await.text("/code");
    fleet.app.redeem(&code, &Keys::fresh()).await.succeeded(201);
    fleet.stop().await;
}

#[actix_web::test]
async fn names_of_codes_that_nobody_was_given_are_not_counted() {
    let fleet = Fleet::start().await;
    let lead = fleet.token(&fleet.lead);
    let code = fleet.app.enrolment(&lead, &[&fleet.newport]).await.text("/code");
    for number in 0..8 {
        fleet
            .app
            .redeem(&format!("0000{number}-00000-00000-00000-00000"), &Keys::fresh())
            .await
            .refused(422, "enrolment-code-invalid");
    }
    assert_eq!(fleet.app.tried_accounts().await, 0);
    let guess = format!("{}-00000-00000-00000-00000", &code[..5]);
    fleet
        .app
        .redeem(&guess, &Keys::fresh())
        .await
        .refused(422, "enrolment-code-invalid");
    assert_eq!(fleet.app.tried_accounts().await, 1);
    // Nor once the code is over.
    fleet.app.clock.advance(SignedDuration::from_hours(24));
    for _ in 0..8 {
        fleet
            .app
            .redeem(&guess, &Keys::fresh())
            .await
            .refused(422, "enrolment-code-invalid");
    }
    assert_eq!(fleet.app.attempts_without_success().await, 1);
    fleet.stop().await;
}
