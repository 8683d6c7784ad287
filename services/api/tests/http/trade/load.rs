//! Under load and against the clock: what is refused, what goes on, and what may be sent again.

use super::bodies::tag_out;
use super::fleet::{Fleet, with};
use clampward_api::config::Limits;
use serde_json::json;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

/// Goal: an overload of exports and lists never keeps anybody from asking about a clamp. Method: one place for each, taken
/// by requests that wait for a table which the test holds.
#[actix_web::test]
async fn while_exports_and_lists_have_no_room_left_fitness_questions_are_answered() {
    let fleet = Fleet::start_with(Limits {
        exports: 1,
        lists: 1,
        ..Limits::default()
    })
    .await;
    let clamp = fleet.fit_clamp("1").await;
    let list = format!("/v1/users/{}/competences", fleet.inspector.id);
    let asked = |accept: &str| {
        fleet
            .app
            .call("GET", &list)
            .token(&fleet.token(&fleet.safety))
            .header("Accept", accept)
            .send()
    };
    let held = fleet.app.hold_table("competence").await;
    let meanwhile = async {
        fleet.app.until_waiting(2).await;
        for (accept, class) in [("application/json", "lists"), ("text/csv", "exports")] {
            let refused = asked(accept).await;
            refused.refused(503, "overloaded");
            assert_eq!(refused.body["class"], class);
            assert!(refused.header("retry-after").is_some());
        }
        let path = format!("/v1/clamps/{clamp}/fitness");
        let fitness = fleet.get(&fleet.operator, &path).await.succeeded(200);
        assert_eq!(fitness.body["fit"], true);
        let read = format!("/v1/clamps/{clamp}");
        fleet.get(&fleet.operator, &read).await.succeeded(200);
        held.let_go().await;
    };
    let (page, export, ()) = tokio::join!(asked("application/json"), asked("text/csv"), meanwhile);
    page.succeeded(200);
    export.succeeded(200);
    // Their places are free again.
    asked("application/json").await.succeeded(200);
    fleet.stop().await;
}

/// Method: half of an entry's body is sent and then nothing more, as from a tablet that drives out of reach.
#[actix_web::test]
async fn a_request_that_takes_too_long_is_given_up_and_its_entry_is_recorded_once_when_it_is_sent_again() {
    let fleet = Fleet::start_with(Limits {
        request: Duration::from_secs(5),
        ..Limits::default()
    })
    .await;
    let clamp = fleet.fit_clamp("1").await;
    let path = format!("/v1/clamps/{clamp}/tag-outs");
    let entry = json!({"entry_id": fleet.new_id(), "performed_at": fleet.now()});
    let entry = with(tag_out("precaution"), &entry);
    let body = entry.to_string();
    let address = fleet.app.url.trim_start_matches("http://");
    let mut tablet = TcpStream::connect(address).await.expect("a connection");
    let head = format!(
        "POST {path} HTTP/1.1\r\nHost: {address}\r\nAuthorization: Bearer {}\r\n\
         Content-Type: application/json\r\nContent-Length: {}\r\n\r\n{}",
        fleet.token(&fleet.operator),
        body.len(),
        body.split_at(10).0,
    );
    tablet.write_all(head.as_bytes()).await.expect("sent");
    let mut answer = String::new();
    tablet.read_to_string(&mut answer).await.expect("an answer");
    assert!(answer.starts_with("HTTP/1.1 503 "), "{answer}");
    assert!(answer.contains("\"took-too-long\""), "{answer}");
    assert!(answer.contains("\r\nretry-after: "), "{answer}");
    fleet.post(&fleet.operator, &path, &entry).await.succeeded(201);
    fleet.post(&fleet.operator, &path, &entry).await.succeeded(200);
    let history = fleet
        .get(&fleet.operator, &format!("/v1/clamps/{clamp}/entries"))
        .await
        .succeeded(200);
    let items = history.body["items"].as_array().expect("items");
    assert_eq!(
        items.iter().filter(|item| item["kind"] == "tagged_out").count(),
        1
    );
    fleet.stop().await;
}

#[actix_web::test]
async fn who_waits_too_long_for_a_lock_is_told_before_the_request_itself_is_given_up() {
    let fleet = Fleet::start_with(Limits {
        request: Duration::from_secs(8),
        ..Limits::default()
    })
    .await;
    let clamp = fleet.fit_clamp("1").await;
    let entry = json!({"entry_id": fleet.new_id(), "performed_at": fleet.now()});
    let entry = with(tag_out("precaution"), &entry);
    let path = format!("/v1/clamps/{clamp}/tag-outs");
    let held = fleet.app.hold_clamp(&clamp).await;
    let refused = fleet.post(&fleet.operator, &path, &entry).await;
    refused.refused(503, "unavailable");
    held.let_go().await;
    fleet.post(&fleet.operator, &path, &entry).await.succeeded(201);
    fleet.stop().await;
}

#[actix_web::test]
async fn who_asks_too_often_is_told_what_is_left_and_when_to_come_back_and_others_go_on() {
    let fleet = Fleet::start_with(Limits {
        quota: 50,
        quota_window: Duration::from_secs(86_400),
        ..Limits::default()
    })
    .await;
    // Nobody but this person asks here.
    let person = &fleet.keeper;
    let first = fleet.get(person, "/v1/me").await.succeeded(200);
    assert_eq!(first.header("ratelimit-policy"), Some("\"caller\";q=50;w=86400"));
    assert_eq!(first.header("ratelimit"), Some("\"caller\";r=49;t=1728"));
    for _ in 0..49 {
        fleet.get(person, "/v1/me").await.succeeded(200);
    }
    let refused = fleet.get(person, "/v1/me").await;
    refused.refused(429, "too-many-requests");
    assert_eq!(refused.header("ratelimit"), Some("\"caller\";r=0;t=86400"));
    let seconds: u64 = refused
        .header("retry-after")
        .and_then(|text| text.parse().ok())
        .expect("seconds");
    assert!((86_400..=108_000).contains(&seconds), "{seconds}");
    assert_eq!(refused.body["violated_policies"], json!(["caller"]));
    fleet.get(&fleet.operator, "/v1/me").await.succeeded(200);
    // Who is nobody has no quota.
    let nobody = fleet.app.call("GET", "/v1/me").send().await;
    assert_eq!(nobody.refused(401, "not-signed-in").header("ratelimit"), None);
    fleet.app.stop().await;
}
