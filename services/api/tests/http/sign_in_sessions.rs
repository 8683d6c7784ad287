//! Sessions: an end is felt at once by every token of the session, and a lost answer costs nobody theirs.

use crate::support::{ADMINISTRATOR, Reply, TestApp};
use futures_util::future::join_all;
use jiff::SignedDuration;
use serde_json::json;

/// A pair of tokens.
#[derive(Clone)]
struct Pair {
    access: String,
    refresh: String,
}

impl From<Reply> for Pair {
    fn from(reply: Reply) -> Self {
        let reply = reply.succeeded(200);
        Self {
            access: reply.text("/access_token"),
            refresh: reply.text("/refresh_token"),
        }
    }
}

async fn session(app: &TestApp) -> Pair {
    app.try_sign_in(ADMINISTRATOR, &app.administrator_password)
        .await
        .into()
}
async fn refresh(app: &TestApp, token: &str) -> Reply {
    app.call("POST", "/v1/auth/refresh")
        .json(&json!({ "refresh_token": token }))
        .send()
        .await
}
async fn revoke(app: &TestApp, token: &str) {
    app.call("POST", "/v1/auth/revoke")
        .json(&json!({ "refresh_token": token }))
        .send()
        .await
        .succeeded(204);
}
/// A read and a write, both refused because nobody is signed in.
async fn opens_nothing(app: &TestApp, access: &str) {
    app.get(access, "/v1/me").await.refused(401, "not-signed-in");
    app.post(access, "/v1/users", &json!({}))
        .await
        .refused(401, "not-signed-in");
}
async fn opens(app: &TestApp, access: &str) {
    app.get(access, "/v1/me").await.succeeded(200);
}

#[actix_web::test]
async fn revoking_a_session_ends_its_access_tokens_at_once_and_those_of_no_other_session() {
    let app = TestApp::start().await;
    let first = session(&app).await;
    let renewed: Pair = refresh(&app, &first.refresh).await.into();
    let other = session(&app).await;
    opens(&app, &first.access).await;
    revoke(&app, &renewed.refresh).await;
    opens_nothing(&app, &first.access).await;
    opens_nothing(&app, &renewed.access).await;
    refresh(&app, &renewed.refresh)
        .await
        .refused(401, "session-ended");
    opens(&app, &other.access).await;
    refresh(&app, &other.refresh).await.succeeded(200);
    app.stop().await;
}

#[actix_web::test]
async fn a_password_set_anew_ends_access_tokens_at_once() {
    let app = TestApp::start().await;
    let (id, token) = app.person("Tor Vik", &["inspector"], json!("all")).await;
    let administrator = app.administrator().await;
    let path = format!("/v1/users/{id}/set-password-tokens");
    let one_time = app
        .call("POST", &path)
        .token(&administrator)
        .send()
        .await
        .succeeded(201)
        .text("/set_password_token");
    opens(&app, &token).await;
    app.set_password(&one_time, "five plain words do nicely").await;
    opens_nothing(&app, &token).await;
    opens(&app, &administrator).await;
    app.stop().await;
}

#[actix_web::test]
async fn closing_an_account_ends_its_sessions_and_opening_it_again_revives_none() {
    let app = TestApp::start().await;
    let (id, access) = app.person("Tor Vik", &["inspector"], json!("all")).await;
    let email = "tor.vik@halvorsund.example";
    let signed_in: Pair = app.try_sign_in(email, "the password of Tor Vik").await.into();
    let administrator = app.administrator().await;
    let path = format!("/v1/users/{id}");
    let one_time = app
        .call("POST", &format!("{path}/set-password-tokens"))
        .token(&administrator)
        .send()
        .await
        .succeeded(201)
        .text("/set_password_token");
    for enabled in [false, true] {
        let read = app.get(&administrator, &path).await.succeeded(200);
        app.patch(&administrator, &path, read.etag(), &json!({ "enabled": enabled }))
            .await
            .succeeded(200);
        opens_nothing(&app, &access).await;
        opens_nothing(&app, &signed_in.access).await;
        refresh(&app, &signed_in.refresh)
            .await
            .refused(401, "session-ended");
    }
    let body = json!({ "token": one_time, "password": "five plain words do nicely" });
    app.call("POST", "/v1/auth/set-password")
        .json(&body)
        .send()
        .await
        .refused(422, "set-password-token-invalid");
    app.try_sign_in(email, "the password of Tor Vik")
        .await
        .succeeded(200);
    app.stop().await;
}

#[actix_web::test]
async fn no_access_token_outlives_the_twelve_hours_of_its_session() {
    let app = TestApp::start().await;
    let first = session(&app).await;
    app.clock
        .advance(SignedDuration::from_hours(12) - SignedDuration::from_secs(100));
    let last = refresh(&app, &first.refresh).await.succeeded(200);
    assert_eq!(last.body["expires_in"], 100);
    app.clock.advance(SignedDuration::from_secs(159));
    opens(&app, &last.text("/access_token")).await;
    app.clock.advance(SignedDuration::from_secs(1));
    opens_nothing(&app, &last.text("/access_token")).await;
    app.stop().await;
}

#[actix_web::test]
async fn a_lost_answer_is_asked_for_again_within_a_minute_and_the_lost_token_opens_nothing() {
    let app = TestApp::start().await;
    let first = session(&app).await;
    let lost: Pair = refresh(&app, &first.refresh).await.into();
    app.clock.advance(SignedDuration::from_secs(60));
    let again: Pair = refresh(&app, &first.refresh).await.into();
    opens(&app, &again.access).await;
    let next: Pair = refresh(&app, &again.refresh).await.into();
    // Somebody kept the answer that was thought lost.
    refresh(&app, &lost.refresh).await.refused(401, "session-ended");
    refresh(&app, &next.refresh).await.refused(401, "session-ended");
    opens_nothing(&app, &next.access).await;
    app.stop().await;
}

#[actix_web::test]
async fn a_used_token_ends_the_session_after_a_minute_and_a_second() {
    let app = TestApp::start().await;
    let first = session(&app).await;
    let second: Pair = refresh(&app, &first.refresh).await.into();
    app.clock.advance(SignedDuration::from_secs(61));
    refresh(&app, &first.refresh).await.refused(401, "session-ended");
    refresh(&app, &second.refresh).await.refused(401, "session-ended");
    opens_nothing(&app, &second.access).await;
    app.stop().await;
}

#[actix_web::test]
async fn a_used_token_ends_the_session_as_soon_as_its_successor_was_used() {
    let app = TestApp::start().await;
    let first = session(&app).await;
    let second: Pair = refresh(&app, &first.refresh).await.into();
    let third: Pair = refresh(&app, &second.refresh).await.into();
    refresh(&app, &first.refresh).await.refused(401, "session-ended");
    refresh(&app, &third.refresh).await.refused(401, "session-ended");
    app.stop().await;
}

#[actix_web::test]
async fn asking_again_does_not_prolong_the_minute() {
    let app = TestApp::start().await;
    let first = session(&app).await;
    refresh(&app, &first.refresh).await.succeeded(200);
    app.clock.advance(SignedDuration::from_secs(40));
    refresh(&app, &first.refresh).await.succeeded(200);
    app.clock.advance(SignedDuration::from_secs(21));
    refresh(&app, &first.refresh).await.refused(401, "session-ended");
    app.stop().await;
}

// Goal: a tablet that sends the same refresh token twice at once goes on with either answer, and one token only opens
// afterwards. Method: both at once, four rounds; the session's lock puts them one after the other.
#[actix_web::test]
async fn two_who_renew_at_once_both_get_an_answer_and_one_token_opens_from_then_on() {
    let app = TestApp::start().await;
    for _ in 0..4 {
        let first = session(&app).await;
        let both = (0..2).map(|_| refresh(&app, &first.refresh));
        let [one, other] = <[Reply; 2]>::try_from(join_all(both).await).expect("two");
        let (one, other): (Pair, Pair) = (one.into(), other.into());
        assert_ne!(one.refresh, other.refresh);
        opens(&app, &one.access).await;
        opens(&app, &other.access).await;
        // Which of the two is the live one, only the database knows: the replaced one is a used token with an unused
        // successor, so that it still renews; and then the other is used up.
        let next: Pair = refresh(&app, &one.refresh).await.into();
        refresh(&app, &next.refresh).await.succeeded(200);
        refresh(&app, &other.refresh).await.refused(401, "session-ended");
        opens_nothing(&app, &next.access).await;
    }
    app.stop().await;
}

// Goal: what is over for long is forgotten, and nothing that still opens. Method: the clock moves past the ninety days.
#[actix_web::test]
async fn sessions_that_have_been_over_for_ninety_days_are_forgotten() {
    let app = TestApp::start().await;
    let old = session(&app).await;
    let store = app.store().await;
    app.clock.advance(SignedDuration::from_hours(12 + 89 * 24));
    assert_eq!(store.forget_ended_sessions(1000).await.expect("done"), 0);
    app.clock.advance(SignedDuration::from_hours(25));
    let young = session(&app).await;
    assert!(store.forget_ended_sessions(1000).await.expect("done") >= 1);
    assert_eq!(store.forget_ended_sessions(1000).await.expect("done"), 0);
    refresh(&app, &old.refresh).await.refused(401, "session-ended");
    opens(&app, &young.access).await;
    refresh(&app, &young.refresh).await.succeeded(200);
    app.stop().await;
}
