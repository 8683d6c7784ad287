//! Sign-in: what opens, what does not, and what ends a session.

use crate::support::{ADMINISTRATOR, TestApp};
use jiff::SignedDuration;
use serde_json::json;

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
    app.set_password(&token, "five plain words do nicely").await;
    refresh(&app, &session).await.refused(401, "session-ended");
    app.try_sign_in("tor.vik@halvorsund.example", "the password of Tor Vik")
        .await
        .refused(401, "wrong-credentials");
    app.stop().await;
}

// Source: NIST SP 800-63B-4 section 3.1.1.2 (what may be asked of a password and what it is compared with).
#[actix_web::test]
async fn a_password_made_of_what_is_at_hand_is_refused_with_what_to_do() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    app.yard(&administrator, "PEL", json!({"name": "Port Ellery"}))
        .await;
    let new = json!({"email": "tor.vik@halvorsund.example", "name": "Tor Vik", "roles": ["inspector"], "yards": "all"});
    let token = app
        .post(&administrator, "/v1/users", &new)
        .await
        .succeeded(201)
        .text("/set_password_token");
    let set = |password: &str| {
        let body = json!({ "token": token, "password": password });
        app.call("POST", "/v1/auth/set-password").json(&body).send()
    };
    for password in [
        "fourteen chars",
        "Tor Vik Halvorsund 1",
        "Port Ellery 2025 !!",
        "clampward-clampward",
        "1234567890123456789",
        "password123456789",
        &"a few words ".repeat(22),
    ] {
        let refused = set(password).await;
        refused
            .refused(422, "invalid-input")
            .at("/password", "weak-password");
        assert!(refused.text("/errors/0/detail").len() > 20, "{}", refused.body);
        assert!(!refused.body.to_string().contains(password), "never repeated");
    }
    // The one-time token is not used up by what was refused.
    set("Port Ellery smells of tar and rope").await.succeeded(204);
    app.stop().await;
}

#[actix_web::test]
async fn a_password_opens_in_whichever_unicode_form_it_is_typed() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let new = json!({"email": "tor.vik@halvorsund.example", "name": "Tor Vik", "roles": ["inspector"], "yards": "all"});
    let token = app
        .post(&administrator, "/v1/users", &new)
        .await
        .succeeded(201)
        .text("/set_password_token");
    let body = json!({ "token": token, "password": "deux \u{e9}l\u{e8}ves dorment" });
    app.call("POST", "/v1/auth/set-password")
        .json(&body)
        .send()
        .await
        .succeeded(204);
    app.sign_in("tor.vik@halvorsund.example", "deux e\u{301}le\u{300}ves dorment")
        .await;
    app.stop().await;
}
