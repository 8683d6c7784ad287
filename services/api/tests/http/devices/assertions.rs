//! How a device proves itself at `/v1/oauth/token`: RFC 7523, EdDSA, five minutes at most.

use crate::support::{Device, Reply, TestApp};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use jiff::{SignedDuration, Timestamp};
use serde_json::{Value, json};

async fn enrolled(app: &TestApp) -> Device {
    let administrator = app.administrator().await;
    let yard = app.yard(&administrator, "PEL", json!({})).await;
    app.device(&administrator, &[&yard]).await
}
fn now(app: &TestApp) -> Timestamp {
    clampward_store::Clock::now(&*app.clock)
}
async fn form(app: &TestApp, text: &str) -> Reply {
    app.call("POST", "/v1/oauth/token")
        .raw(text.as_bytes().to_vec())
        .header("Content-Type", "application/x-www-form-urlencoded")
        .send()
        .await
}

/// Goal: nothing but the device itself, for us and now, gets a token. Method: one assertion after another that differs from
/// a good one in one thing.
#[actix_web::test]
async fn an_assertion_that_is_another_s_or_none_is_refused() {
    let app = TestApp::start().await;
    let device = enrolled(&app).await;
    let second = app.administrator().await;
    let yard = app.get(&second, "/v1/yards").await.text("/items/0/id");
    let other = app.device(&second, &[&yard]).await;
    let second = now(&app).as_second();
    let good = device.assertion(now(&app));
    let claims = good.split('.').nth(1).expect("a payload");
    let claims = String::from_utf8(URL_SAFE_NO_PAD.decode(claims).expect("base64url")).expect("UTF-8");
    let headed = |header: Value| device.signed(&URL_SAFE_NO_PAD.encode(header.to_string()), &claims);
    let none = {
        let header = URL_SAFE_NO_PAD.encode(r#"{"alg":"none"}"#);
        format!("{header}.{}.", URL_SAFE_NO_PAD.encode(&claims))
    };
    // The public key as a shared secret (CVE-2015-9235): its holder is everybody.
    let symmetric = {
        let header = URL_SAFE_NO_PAD.encode(r#"{"alg":"HS256","typ":"JWT"}"#);
        let input = format!("{header}.{}", URL_SAFE_NO_PAD.encode(&claims));
        let key = URL_SAFE_NO_PAD.decode(device.keys.public()).expect("a key");
        let key = aws_lc_rs::hmac::Key::new(aws_lc_rs::hmac::HMAC_SHA256, &key);
        let tag = aws_lc_rs::hmac::sign(&key, input.as_bytes());
        format!("{input}.{}", URL_SAFE_NO_PAD.encode(tag.as_ref()))
    };
    for (what, assertion) in [
        ("alg none", none),
        ("HS256 with the public key", symmetric),
        ("crit", headed(json!({"alg": "EdDSA", "crit": ["exp"]}))),
        ("a key in the header", headed(json!({"alg": "EdDSA", "jwk": {}}))),
        (
            "another audience",
            device.asserting(now(&app), json!({"aud": "https://elsewhere.test"})),
        ),
        (
            "the audience of access tokens",
            device.asserting(now(&app), json!({"aud": "clampward"})),
        ),
        (
            "another issuer",
            device.asserting(now(&app), json!({"iss": other.id})),
        ),
        (
            "another subject",
            device.asserting(now(&app), json!({"sub": other.id})),
        ),
        (
            "another device by this key",
            device.asserting(now(&app), json!({"iss": other.id, "sub": other.id})),
        ),
        ("no id", device.asserting(now(&app), json!({"jti": null}))),
        ("no end", device.asserting(now(&app), json!({"exp": null}))),
        (
            "nobody",
            device.asserting(now(&app), {
                let nobody = "01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10";
                json!({"iss": nobody, "sub": nobody})
            }),
        ),
        ("over", device.asserting(now(&app), json!({"exp": second - 60}))),
        (
            "too long",
            device.asserting(now(&app), json!({"exp": second + 361})),
        ),
        (
            "not yet",
            device.asserting(now(&app), json!({"nbf": second + 61})),
        ),
        ("text", "hello".to_owned()),
        ("no signature", good.rsplit_once('.').expect("parts").0.to_owned()),
        ("another signature", {
            let (input, _) = good.rsplit_once('.').expect("parts");
            format!("{input}.{}", other.keys.sign(input.as_bytes()))
        }),
    ] {
        let reply = app.assert(&assertion).await;
        assert_eq!(
            (reply.status, &reply.body["error"]),
            (401, &json!("invalid_client")),
            "{what}: {}",
            reply.body
        );
        assert!(reply.header("www-authenticate").is_some(), "{what}");
        // Only whoever has the key is told the time.
        let by_the_clock = ["over", "too long", "not yet"].contains(&what);
        assert_eq!(
            reply.body.get("server_time"),
            by_the_clock.then_some(&json!("2025-03-14T09:00:00Z")),
            "{what}"
        );
    }
    app.assert(&good).await.succeeded(200);
    app.assert(&format!("{good}{}", "x".repeat(5 << 10)))
        .await
        .refused(400, "invalid-token-request");
    app.stop().await;
}

// Source: RFC 7521 section 4.2 (client_id beside an assertion), RFC 6749 sections 2.3 and 5.2 (one way to prove oneself).
#[actix_web::test]
async fn a_device_proves_itself_in_one_way_and_says_which() {
    let app = TestApp::start().await;
    let device = enrolled(&app).await;
    let assertion = device.assertion(now(&app));
    let grant = "grant_type=client_credentials";
    let kind = "client_assertion_type=urn:ietf:params:oauth:client-assertion-type:jwt-bearer";
    let proof = format!("{kind}&client_assertion={assertion}");
    let id = &device.id;
    for text in [
        format!("{grant}&{proof}"),
        format!("{grant}&{proof}&client_id={id}"),
        format!("{grant}&{proof}&scope=sync"),
        format!("{grant}&{}", proof.replace(':', "%3A")),
    ] {
        form(&app, &text).await.succeeded(200);
    }
    for (text, status, error) in [
        (
            format!("{grant}&client_assertion={assertion}"),
            400,
            "invalid_request",
        ),
        (format!("{grant}&{kind}"), 400, "invalid_request"),
        (
            format!(
                "{grant}&client_assertion_type=urn:ietf:params:oauth:client-assertion-type:saml2-bearer&client_assertion={assertion}"
            ),
            400,
            "invalid_request",
        ),
        (format!("{grant}&{proof}&{proof}"), 400, "invalid_request"),
        (format!("{grant}&{proof}&client_secret=x"), 400, "invalid_request"),
        (
            format!("grant_type=urn:ietf:params:oauth:grant-type:jwt-bearer&{proof}"),
            400,
            "unsupported_grant_type",
        ),
        (
            format!("{grant}&{proof}&client_id=01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10"),
            401,
            "invalid_client",
        ),
        (
            format!("{grant}&client_id={id}&client_secret=cws_x"),
            401,
            "invalid_client",
        ),
    ] {
        let reply = form(&app, &text).await;
        assert_eq!(
            (reply.status, reply.body["error"].as_str()),
            (status, Some(error)),
            "{text}: {}",
            reply.body
        );
    }
    let basic = app
        .call("POST", "/v1/oauth/token")
        .raw(format!("{grant}&{proof}").into_bytes())
        .header("Content-Type", "application/x-www-form-urlencoded")
        .header("Authorization", "Basic eDp5");
    basic.send().await.refused(400, "invalid-token-request");
    // An assertion opens nothing else, and is no access token.
    app.get(&assertion, "/v1/me").await.refused(401, "not-signed-in");
    app.stop().await;
}

#[actix_web::test]
async fn a_device_is_nobody_and_no_person_is_a_device() {
    let app = TestApp::start().await;
    let device = enrolled(&app).await;
    let administrator = app.administrator().await;
    let person = format!("/v1/users/{}", device.id);
    app.get(&administrator, &person).await.refused(404, "not-found");
    app.get(&administrator, &format!("/v1/service-accounts/{}", device.id))
        .await
        .refused(404, "not-found");
    app.post(
        &administrator,
        &format!("{person}/competences"),
        &json!({"kind": "qualified_person", "valid_from": "2025-01-01"}),
    )
    .await
    .refused(404, "not-found");
    app.try_sign_in(
        &format!("{}@devices.invalid", device.id),
        "five plain words do nicely",
    )
    .await
    .refused(401, "wrong-credentials");
    let new =
        json!({"email": "tablet@halvorsund.example", "name": "Tablet", "roles": ["device"], "yards": "all"});
    app.post(&administrator, "/v1/users", &new)
        .await
        .refused(422, "invalid-input")
        .at("/roles", "role-of-devices");
    let me = app.get(&administrator, "/v1/me").await.text("/id");
    app.get(&administrator, &format!("/v1/devices/{me}"))
        .await
        .refused(404, "not-found");
    // The database says the same to whoever writes past the service.
    for statement in [
        "insert into credential (person_id, password_hash, set_at) select id, 'x', now() from person where kind = 'device'",
        "insert into person_version (person_id, version, email, name, enabled, roles, all_yards, yards, position, recorded_at, recorded_by)
         select id, 9, email, 'x', true, array['device'], false, '{}', 1, now(), id from person where kind = 'person' limit 1",
        "insert into person_version (person_id, version, email, name, enabled, roles, all_yards, yards, position, recorded_at, recorded_by)
         select id, 9, email, 'x', true, array['safety'], false, '{}', 1, now(), id from person where kind = 'device' limit 1",
        "insert into device (id, session_id, public_key, enrolled_at, enrolled_by)
         select p.id, f.id, sha256('x'), now(), p.id from person p cross join session_family f where p.kind = 'person' limit 1",
        "insert into signing_key (id, device_id, person_id, public_key, expires_at, position, recorded_at, recorded_by)
         select gen_random_uuid(), id, id, sha256('x'), '2030-01-01', 1, now(), id from device",
    ] {
        assert_eq!(app.refused_sql(statement).await.as_deref(), Some("CW005"), "{statement}");
    }
    app.stop().await;
}

#[actix_web::test]
async fn a_token_ends_with_its_quarter_of_an_hour_and_the_key_goes_on() {
    let app = TestApp::start().await;
    let device = enrolled(&app).await;
    let token = app.device_token(&device).await;
    app.clock.advance(SignedDuration::from_mins(17));
    app.get(&token, "/v1/me").await.refused(401, "not-signed-in");
    app.clock.advance(SignedDuration::from_hours(24 * 365));
    let token = app.device_token(&device).await;
    app.get(&token, "/v1/me").await.succeeded(200);
    app.stop().await;
}
