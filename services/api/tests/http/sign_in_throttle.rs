//! Guessing is slowed down and bars nobody: not the account's person for good, not anybody else, and not whoever is
//! signed in already. Which accounts exist is not told.

use crate::support::{ADMINISTRATOR, Reply, TestApp};
use futures_util::future::join_all;
use jiff::SignedDuration;
use serde_json::json;

const WRONG: &str = "not the password at all";
/// Nobody's.
const UNKNOWN: &str = "nobody@halvorsund.example";
/// Calls under way at once in a flood: more than wait for a place, fewer than the service lets in.
const AT_ONCE: usize = 80;

fn retry_after(reply: &Reply) -> i64 {
    let seconds = reply.header("retry-after").and_then(|text| text.parse().ok());
    assert_eq!(
        reply.body["retry_after_seconds"].as_i64(),
        seconds,
        "{}",
        reply.body
    );
    seconds.expect("a number of seconds")
}
fn slowed_down(reply: &Reply) -> i64 {
    retry_after(reply.refused(429, "too-many-requests"))
}

// Source of the steps: OWASP Authentication Cheat Sheet and ASVS 5.0 section 6.1.1 (growing delay, no permanent lock);
// five attempts and a quarter of an hour are this service's own figures.
#[actix_web::test]
async fn after_five_attempts_an_account_waits_longer_each_time_up_to_a_quarter_of_an_hour() {
    let app = TestApp::start().await;
    let accounts = [
        (ADMINISTRATOR, app.administrator_password.clone()),
        (UNKNOWN, "whatever is written here".to_owned()),
    ];
    for (email, _) in &accounts {
        for _ in 0..4 {
            app.try_sign_in(email, WRONG)
                .await
                .refused(401, "wrong-credentials");
        }
    }
    for wait in [1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 900, 900] {
        let mut told = Vec::new();
        for (email, right) in &accounts {
            app.try_sign_in(email, WRONG)
                .await
                .refused(401, "wrong-credentials");
            // Neither the right password nor a wrong one is looked at now.
            let refused = app.try_sign_in(email, right).await;
            assert_eq!(slowed_down(&refused), wait, "{email}");
            assert_eq!(slowed_down(&app.try_sign_in(email, WRONG).await), wait, "{email}");
            told.push(refused.body["detail"].clone());
        }
        assert_eq!(told[0], told[1], "the same is said of an account that nobody has");
        app.clock.advance(SignedDuration::from_secs(wait - 1));
        for (email, right) in &accounts {
            assert_eq!(slowed_down(&app.try_sign_in(email, right).await), 1, "{email}");
        }
        app.clock.advance(SignedDuration::from_secs(1));
    }
    app.sign_in(ADMINISTRATOR, &app.administrator_password).await;
    app.stop().await;
}

#[actix_web::test]
async fn the_right_password_forgets_what_was_tried_before() {
    let app = TestApp::start().await;
    for _ in 0..3 {
        for _ in 0..4 {
            app.try_sign_in(ADMINISTRATOR, WRONG)
                .await
                .refused(401, "wrong-credentials");
        }
        app.sign_in(ADMINISTRATOR, &app.administrator_password).await;
    }
    assert_eq!(app.tried_accounts().await, 0);
    app.stop().await;
}

#[actix_web::test]
async fn a_day_without_an_attempt_forgets_what_was_tried_before() {
    let app = TestApp::start().await;
    for _ in 0..5 {
        app.try_sign_in(UNKNOWN, WRONG)
            .await
            .refused(401, "wrong-credentials");
    }
    app.clock.advance(SignedDuration::from_hours(24));
    for _ in 0..5 {
        app.try_sign_in(UNKNOWN, WRONG)
            .await
            .refused(401, "wrong-credentials");
    }
    assert_eq!(slowed_down(&app.try_sign_in(UNKNOWN, WRONG).await), 1);
    app.stop().await;
}

#[actix_web::test]
async fn whoever_is_signed_in_goes_on_while_somebody_guesses_on_their_account() {
    let app = TestApp::start().await;
    let signed_in = app
        .try_sign_in(ADMINISTRATOR, &app.administrator_password)
        .await
        .succeeded(200);
    for _ in 0..5 {
        app.try_sign_in(ADMINISTRATOR, WRONG)
            .await
            .refused(401, "wrong-credentials");
    }
    slowed_down(&app.try_sign_in(ADMINISTRATOR, &app.administrator_password).await);
    app.get(&signed_in.text("/access_token"), "/v1/me")
        .await
        .succeeded(200);
    let renewed = app
        .call("POST", "/v1/auth/refresh")
        .json(&json!({ "refresh_token": signed_in.text("/refresh_token") }))
        .send()
        .await
        .succeeded(200);
    app.get(&renewed.text("/access_token"), "/v1/me")
        .await
        .succeeded(200);
    app.stop().await;
}

#[actix_web::test]
async fn a_new_password_by_one_time_token_opens_at_once_whatever_was_guessed_before() {
    let app = TestApp::start().await;
    let (id, _) = app.person("Tor Vik", &["inspector"], json!("all")).await;
    let email = "tor.vik@halvorsund.example";
    for _ in 0..5 {
        app.try_sign_in(email, WRONG)
            .await
            .refused(401, "wrong-credentials");
    }
    slowed_down(&app.try_sign_in(email, "the password of Tor Vik").await);
    let administrator = app.administrator().await;
    let token = app
        .call("POST", &format!("/v1/users/{id}/set-password-tokens"))
        .token(&administrator)
        .send()
        .await
        .succeeded(201)
        .text("/set_password_token");
    app.set_password(&token, "five plain words do nicely").await;
    app.sign_in(email, "five plain words do nicely").await;
    app.stop().await;
}

#[actix_web::test]
async fn what_cannot_be_an_address_is_refused_and_not_kept() {
    let app = TestApp::start().await;
    let long = format!("{}@halvorsund.example", "a".repeat(300));
    for text in ["", "my password by mistake", "@", "a@", "@b", &long] {
        app.try_sign_in(text, WRONG)
            .await
            .refused(401, "wrong-credentials");
    }
    assert_eq!(app.tried_accounts().await, 0);
    app.stop().await;
}

/// What came of a flood: each attempt was looked at or slowed down in the end.
#[derive(Debug, Default, PartialEq)]
struct Flood {
    looked_at: usize,
    slowed: usize,
    /// Times that the database was too busy to answer an attempt, which was then made again, as whoever guesses would.
    put_off: usize,
}

/// So many attempts, of which so many are under way at once; every refusal says when to come back.
async fn flood(app: &TestApp, attempts: usize, email: impl Fn(usize) -> String) -> Flood {
    let email = &email;
    let lanes = (0..AT_ONCE).map(|lane| async move {
        let mut found = Flood::default();
        for number in (lane..attempts).step_by(AT_ONCE) {
            let mut reply = app.try_sign_in(&email(number), WRONG).await;
            let mut again = 0;
            while reply.status == 503 && again < 5 {
                assert!(retry_after(&reply) >= 1);
                again += 1;
                reply = app.try_sign_in(&email(number), WRONG).await;
            }
            found.put_off += again;
            match reply.status {
                401 => found.looked_at += 1,
                429 => {
                    assert!(retry_after(&reply) >= 1);
                    found.slowed += 1;
                }
                other => panic!("{other}: {}", reply.body),
            }
        }
        found
    });
    join_all(lanes)
        .await
        .into_iter()
        .fold(Flood::default(), |sum, one| Flood {
            looked_at: sum.looked_at + one.looked_at,
            slowed: sum.slowed + one.slowed,
            put_off: sum.put_off + one.put_off,
        })
}

// Goal: a flood on one account costs five hashes and bars nobody for good. Method: the clock stands, so that no delay
// ends; every 401 is a hash, every 429 is none. An attempt that was counted and then put off is one of the five too.
#[actix_web::test]
async fn ten_thousand_wrong_passwords_on_one_account_cost_five_hashes_and_bar_nobody() {
    let app = TestApp::start().await;
    let (_, session) = app.person("Tor Vik", &["inspector"], json!("all")).await;
    let found = flood(&app, 10_000, |_| "tor.vik@halvorsund.example".to_owned()).await;
    assert_eq!(found.looked_at + found.slowed, 10_000);
    let least = 5_usize.saturating_sub(found.put_off);
    assert!((least..=5).contains(&found.looked_at), "{found:?}");
    assert_eq!(app.attempts_without_success().await, 5);
    app.get(&session, "/v1/me").await.succeeded(200);
    app.sign_in(ADMINISTRATOR, &app.administrator_password).await;
    app.clock.advance(SignedDuration::from_secs(1));
    app.sign_in("tor.vik@halvorsund.example", "the password of Tor Vik")
        .await;
    app.stop().await;
}

// Goal: a flood over many accounts is bounded by the places where passwords are hashed, fails nobody's account, and leaves
// no account closed. Method: as many calls under way as the queue cannot hold; a 401 is a hash and one row, a 429 none.
#[actix_web::test]
async fn ten_thousand_wrong_passwords_on_as_many_accounts_are_bounded_by_the_queue_and_bar_nobody() {
    let app = TestApp::start().await;
    app.person("Tor Vik", &["inspector"], json!("all")).await;
    let found = flood(&app, 10_000, |number| {
        if number == 5_000 {
            "tor.vik@halvorsund.example".to_owned()
        } else {
            format!("person-{number}@halvorsund.example")
        }
    })
    .await;
    assert_eq!(found.looked_at + found.slowed, 10_000);
    assert!(found.slowed > 0, "the queue is bounded");
    let tried = usize::try_from(app.tried_accounts().await).expect("a count");
    assert!(
        (found.looked_at..=found.looked_at + found.put_off).contains(&tried),
        "{tried}: {found:?}"
    );
    app.sign_in("tor.vik@halvorsund.example", "the password of Tor Vik")
        .await;
    app.stop().await;
}
