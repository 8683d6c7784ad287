//! Sign-in: what opens, what does not, and what ends a session.

use crate::support::{ADMINISTRATOR, ISSUER, SECRET, TestApp};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use clampward_api::sign_in::SigningKey;
use jiff::SignedDuration;
use jsonwebtoken::Algorithm;
use serde_json::{Value, json};

async fn refresh(app: &TestApp, token: &str) -> crate::support::Reply {
    app.call("POST", "/v1/auth/refresh")
        .json(&json!({ "refresh_token": token }))
        .send()
        .await
}

#[actix_web::test]
async fn the_right_password_opens_and_says_who_one_is() {
    let app = TestApp::start().await;
    let reply = app
        .try_sign_in(&ADMINISTRATOR.to_uppercase(), &app.administrator_password)
        .await
        .succeeded(200);
    assert_eq!(
        (&reply.body["token_type"], &reply.body["expires_in"]),
        (&json!("Bearer"), &json!(900))
    );
    let me = app
        .get(&reply.text("/access_token"), "/v1/me")
        .await
        .succeeded(200);
    assert_eq!(me.body["email"], ADMINISTRATOR);
    assert_eq!(me.body["roles"], json!(["administrator"]));
    assert_eq!(me.body["yards"], "all");
    app.stop().await;
}

#[actix_web::test]
async fn a_wrong_password_and_an_unknown_address_are_answered_alike() {
    let app = TestApp::start().await;
    let wrong = app.try_sign_in(ADMINISTRATOR, "not the password at all").await;
    let unknown = app
        .try_sign_in("nobody@halvorsund.example", "not the password at all")
        .await;
    wrong.refused(401, "wrong-credentials");
    unknown.refused(401, "wrong-credentials");
    assert_eq!(wrong.body["detail"], unknown.body["detail"]);
    app.stop().await;
}

#[actix_web::test]
async fn an_access_token_ends_after_fifteen_minutes_and_a_minutes_leeway() {
    let app = TestApp::start().await;
    let token = app.administrator().await;
    app.clock.advance(SignedDuration::from_secs(959));
    app.get(&token, "/v1/me").await.succeeded(200);
    app.clock.advance(SignedDuration::from_secs(1));
    let ended = app.get(&token, "/v1/me").await;
    assert_eq!(
        ended.refused(401, "not-signed-in").header("www-authenticate"),
        Some("Bearer")
    );
    app.stop().await;
}

// Sources: RFC 8725 section 2 (alg none; a public key used as an HMAC secret), RFC 9068 section 2.1 (typ).
#[actix_web::test]
async fn forged_tokens_are_refused() {
    let app = TestApp::start().await;
    let token = app.administrator().await;
    let parts: Vec<&str> = token.split('.').collect();
    let payload: Value =
        serde_json::from_slice(&URL_SAFE_NO_PAD.decode(parts[1]).expect("base64url")).expect("JSON");
    let key = SigningKey::from_secret(&SECRET).expect("key");
    let encode = |value: &Value| URL_SAFE_NO_PAD.encode(value.to_string());
    let sign = |header: &Value, payload: &Value, key: &SigningKey| {
        let input = format!("{}.{}", encode(header), encode(payload));
        let signature = jsonwebtoken::crypto::sign(input.as_bytes(), key.private(), Algorithm::EdDSA);
        format!("{input}.{}", signature.expect("signed"))
    };
    let with = |value: &Value, name: &str, other: Value| {
        let mut value = value.clone();
        value[name] = other;
        value
    };
    let header = json!({ "alg": "EdDSA", "typ": "at+jwt", "kid": key.name() });
    assert_eq!(payload["iss"], ISSUER);
    app.get(&sign(&header, &payload, &key), "/v1/me")
        .await
        .succeeded(200);

    let unsigned = format!("{}.{}.", encode(&with(&header, "alg", json!("none"))), parts[1]);
    let public = app
        .call("GET", "/.well-known/jwks.json")
        .send()
        .await
        .succeeded(200);
    assert_eq!(public.text("/keys/0/kid"), key.name());
    let public = URL_SAFE_NO_PAD
        .decode(public.text("/keys/0/x"))
        .expect("base64url");
    let confused = {
        let input = format!("{}.{}", encode(&with(&header, "alg", json!("HS256"))), parts[1]);
        format!(
            "{input}.{}",
            URL_SAFE_NO_PAD.encode(hmac_sha256(&public, input.as_bytes()))
        )
    };
    let other_key = SigningKey::from_secret(&[43; 32]).expect("key");
    for forged in [
        unsigned,
        confused,
        sign(&header, &payload, &other_key),
        sign(&with(&header, "typ", json!("JWT")), &payload, &key),
        sign(&header, &with(&payload, "aud", json!("another")), &key),
        sign(
            &header,
            &with(&payload, "iss", json!("https://another.test")),
            &key,
        ),
        sign(&header, &with(&payload, "exp", json!(1_700_000_000)), &key),
        sign(&header, &with(&payload, "grants_version", json!(99)), &key),
        sign(
            &header,
            &with(&payload, "sub", json!("01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10")),
            &key,
        ),
        format!("{token}x"),
        String::new(),
    ] {
        app.get(&forged, "/v1/me").await.refused(401, "not-signed-in");
    }
    app.call("GET", "/v1/me")
        .send()
        .await
        .refused(401, "not-signed-in");
    let twice = app.call("GET", "/v1/me").token(&token).token(&token).send().await;
    twice.refused(401, "not-signed-in");
    app.stop().await;
}

// RFC 2104 over SHA-256, written out so that the service's own crates are not asked about themselves.
fn hmac_sha256(key: &[u8], message: &[u8]) -> Vec<u8> {
    use sha2::{Digest, Sha256};
    let pad = |with: u8| -> Vec<u8> {
        (0..64)
            .map(|index| key.get(index).copied().unwrap_or(0) ^ with)
            .collect()
    };
    let inner = Sha256::new()
        .chain_update(pad(0x36))
        .chain_update(message)
        .finalize();
    Sha256::new()
        .chain_update(pad(0x5c))
        .chain_update(inner)
        .finalize()
        .to_vec()
}

#[actix_web::test]
async fn a_refresh_token_is_good_once_and_its_second_use_ends_the_session() {
    let app = TestApp::start().await;
    let first = app
        .try_sign_in(ADMINISTRATOR, &app.administrator_password)
        .await
        .succeeded(200)
        .text("/refresh_token");
    let second = refresh(&app, &first).await.succeeded(200);
    app.get(&second.text("/access_token"), "/v1/me")
        .await
        .succeeded(200);
    let third = refresh(&app, &second.text("/refresh_token"))
        .await
        .succeeded(200)
        .text("/refresh_token");
    refresh(&app, &first).await.refused(401, "session-ended");
    refresh(&app, &third).await.refused(401, "session-ended");
    refresh(&app, "cwr_made-up").await.refused(401, "session-ended");
    app.stop().await;
}

#[actix_web::test]
async fn a_session_ends_when_it_is_revoked_and_after_twelve_hours_however_often_renewed() {
    let app = TestApp::start().await;
    let signed_in = app
        .try_sign_in(ADMINISTRATOR, &app.administrator_password)
        .await
        .succeeded(200);
    let token = signed_in.text("/refresh_token");
    let revoke = |token: &str| {
        app.call("POST", "/v1/auth/revoke")
            .json(&json!({ "refresh_token": token }))
            .send()
    };
    revoke(&token).await.succeeded(204);
    revoke("cwr_made-up").await.succeeded(204);
    refresh(&app, &token).await.refused(401, "session-ended");

    let mut token = app
        .try_sign_in(ADMINISTRATOR, &app.administrator_password)
        .await
        .succeeded(200)
        .text("/refresh_token");
    for _ in 0..2 {
        app.clock.advance(SignedDuration::from_hours(5));
        token = refresh(&app, &token).await.succeeded(200).text("/refresh_token");
    }
    app.clock.advance(SignedDuration::from_hours(2));
    refresh(&app, &token).await.refused(401, "session-ended");
    app.stop().await;
}

#[actix_web::test]
async fn a_password_is_set_once_per_token_and_ends_every_session() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let new = json!({"email": "tor.vik@halvorsund.example", "name": "Tor Vik", "roles": ["inspector"], "yards": "all"});
    let created = app.post(&administrator, "/v1/users", &new).await.succeeded(201);
    let token = created.text("/set_password_token");
    let set = |token: String, password: &str| {
        let body = json!({ "token": token, "password": password });
        app.call("POST", "/v1/auth/set-password").json(&body).send()
    };
    app.try_sign_in("tor.vik@halvorsund.example", "")
        .await
        .refused(401, "wrong-credentials");
    set(token.clone(), "too short")
        .await
        .refused(422, "invalid-input")
        .at("/password", "weak-password");
    set("cwp_made-up".to_owned(), "five plain words do nicely")
        .await
        .refused(422, "set-password-token-invalid");
    set(token.clone(), "five plain words do nicely")
        .await
        .succeeded(204);
    set(token, "five other words do nicely")
        .await
        .refused(422, "set-password-token-invalid");
    app.sign_in("tor.vik@halvorsund.example", "five plain words do nicely")
        .await;
    app.stop().await;
}

#[actix_web::test]
async fn a_one_time_token_expires() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let new = json!({"email": "tor.vik@halvorsund.example", "name": "Tor Vik", "roles": ["inspector"], "yards": "all"});
    let token = app
        .post(&administrator, "/v1/users", &new)
        .await
        .succeeded(201)
        .text("/set_password_token");
    app.clock.advance(SignedDuration::from_hours(72));
    let body = json!({ "token": token, "password": "five plain words do nicely" });
    let late = app.call("POST", "/v1/auth/set-password").json(&body).send().await;
    late.refused(422, "set-password-token-invalid");
    app.stop().await;
}

#[actix_web::test]
async fn a_password_set_anew_ends_the_sessions_that_were_open() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let (id, _) = app.person("Tor Vik", &["inspector"], json!("all")).await;
    let session = app
        .try_sign_in("tor.vik@halvorsund.example", "the password of Tor Vik")
        .await
        .succeeded(200)
        .text("/refresh_token");
    let path = format!("/v1/users/{id}/set-password-tokens");
    let token = app
        .call("POST", &path)
        .token(&administrator)
        .send()
        .await
        .succeeded(201)
        .text("/set_password_token");
    let body = json!({ "token": token, "password": "five plain words do nicely" });
    app.call("POST", "/v1/auth/set-password")
        .json(&body)
        .send()
        .await
        .succeeded(204);
    refresh(&app, &session).await.refused(401, "session-ended");
    app.try_sign_in("tor.vik@halvorsund.example", "the password of Tor Vik")
        .await
        .refused(401, "wrong-credentials");
    app.stop().await;
}
