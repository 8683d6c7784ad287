//! More than anybody writes.

use super::Field::Text;
use super::{endpoints, instead, invalid};
use crate::trade::Fleet;
use serde_json::json;

#[actix_web::test]
async fn a_text_longer_than_its_limit_is_refused_at_its_place() {
    let fleet = Fleet::start().await;
    let endpoints = endpoints::all(&fleet).await;
    let long = invalid(
        "a million letters",
        Text,
        instead(&format!("\"{}\"", "x".repeat(1_000_000))),
        "",
        "",
    );
    for endpoint in &endpoints {
        for (_, pointer) in endpoint.fields.iter().filter(|(field, _)| *field == Text) {
            let before = fleet.app.stored().await;
            let (body, _) = long.broken(endpoint, pointer);
            let reply = endpoint.send(&fleet.app, body.into_bytes()).await;
            reply.refused(422, "invalid-input");
            assert_eq!(reply.text("/errors/0/pointer"), *pointer, "{}", endpoint.name);
            assert!(
                reply.body.to_string().len() < 4_000,
                "the answer does not repeat it"
            );
            assert_eq!(fleet.app.stored().await, before, "{}", endpoint.name);
        }
    }
    fleet.stop().await;
}

#[actix_web::test]
async fn a_note_of_a_mebibyte_makes_the_body_too_large() {
    let fleet = Fleet::start().await;
    let endpoints = endpoints::all(&fleet).await;
    let large = invalid(
        "a mebibyte",
        Text,
        instead(&format!("\"{}\"", "x".repeat(1 << 20))),
        "",
        "",
    );
    for endpoint in &endpoints {
        for (_, pointer) in endpoint.fields.iter().filter(|(field, _)| *field == Text) {
            let before = fleet.app.stored().await;
            let (body, _) = large.broken(endpoint, pointer);
            let reply = endpoint.send(&fleet.app, body.into_bytes()).await;
            reply.refused(413, "body-too-large");
            assert!(reply.text("/detail").contains("1048576"), "{}", reply.body);
            assert_eq!(fleet.app.stored().await, before, "{}", endpoint.name);
        }
    }
    fleet.stop().await;
}

/// Goal: a body that nobody signed in for costs no more than its own size. Method: names as long as a body, and below them as
/// many faults as fit in.
#[actix_web::test]
async fn a_body_full_of_faults_under_a_long_name_is_refused_in_few_words() {
    let fleet = Fleet::start().await;
    let long = "k".repeat(500_000);
    let bad_times = vec![r#"{"_at":""}"#; 43_000].join(",");
    let lists = vec!["[]"; 150_000].join(",");
    for body in [
        format!("{{\"{long}\":[{bad_times}]}}"),
        format!("{{\"{long}\":[{lists}]}}"),
        format!("{{\"email\":[{bad_times}],\"grant_type\":[{bad_times}]}}"),
    ] {
        assert!(body.len() < 1 << 20);
        let reply = fleet
            .app
            .call("POST", "/v1/auth/token")
            .header("Content-Type", "application/json")
            .raw(body.into_bytes())
            .send()
            .await;
        assert!(matches!(reply.status, 400 | 422), "{}", reply.status);
        assert!(reply.bytes.len() < 64 * 1024, "{} bytes", reply.bytes.len());
    }
    // In an element of a push too, which is kept with what is wrong with it.
    let tablet = fleet.tablet(&[&fleet.newport]).await;
    let clamp = fleet.fit_clamp("4711").await;
    let name = "n".repeat(150);
    let open = format!("{{\"{name}\":");
    let deep = format!(
        "{}[{}]{}",
        open.repeat(20),
        vec![r#"{"_at":""}"#; 3_000].join(","),
        "}".repeat(20)
    );
    let mut entry = tablet.writes(
        &fleet.operator,
        &clamp,
        "tagged_out",
        json!({"reason": "dropped"}),
    );
    entry["body"] = serde_json::from_str(&deep).expect("JSON");
    let held = tablet.pushes(&[entry]).await;
    assert_eq!(held.text("/results/0/outcome"), "held");
    assert!(held.bytes.len() < 64 * 1024, "{} bytes", held.bytes.len());
    let list = fleet.get(&fleet.lead, "/v1/held-entries").await.succeeded(200);
    assert_eq!(list.body["items"].as_array().map(Vec::len), Some(1));
    assert!(list.text("/items/0/detail").chars().count() <= 2_000);
    fleet.stop().await;
}
