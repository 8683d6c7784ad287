//! Several faults in one body are named at once: nobody has to send it once for each.

use super::endpoints;
use crate::trade::{Fleet, kg, mm};
use serde_json::{Value, json};

fn places(body: &Value) -> Vec<(String, String)> {
    let errors = body["errors"].as_array().cloned().unwrap_or_default();
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    errors
        .iter()
        .map(|error| (text(&error["pointer"]), text(&error["code"])))
        .collect()
}
fn expected(places: &[(&str, &str)]) -> Vec<(String, String)> {
    places
        .iter()
        .map(|(pointer, code)| ((*pointer).to_owned(), (*code).to_owned()))
        .collect()
}

#[actix_web::test]
async fn every_fault_of_an_inspection_is_named_at_once() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("4711").await;
    let before = fleet.app.stored().await;
    let body = json!({
        "performed_at": "2025-03-14", "knd": "frequent",
        "findings": [
            {"criterion": "shackle_eye_worn", "outcome": "acept", "measured": {"value": "26,5", "unit": "kg"}},
            {"outcome": "accept", "note": 7},
            {"criterion": "pin_bent", "outcome": "accept", "by_date": "30-02-2025"},
        ],
    });
    let reply = fleet
        .post(
            &fleet.inspector,
            &format!("/v1/clamps/{clamp}/inspections"),
            &body,
        )
        .await;
    reply.refused(422, "invalid-input");
    let mut named = places(&reply.body);
    named.sort();
    let mut all = expected(&[
        ("/performed_at", "time-malformed"),
        ("/entry_id", "missing-field"),
        ("/kind", "missing-field"),
        ("/knd", "unknown-field"),
        ("/findings/0/outcome", "unknown-word"),
        ("/findings/0/measured/value", "invalid-value"),
        ("/findings/0/measured/unit", "unknown-word"),
        ("/findings/1/criterion", "missing-field"),
        ("/findings/1/note", "wrong-type"),
        ("/findings/2/by_date", "time-malformed"),
    ]);
    all.sort();
    assert_eq!(named, all);
    assert!(reply.text("/detail").contains("10 faults"), "{}", reply.body);
    assert_eq!(fleet.app.stored().await, before);
    fleet.stop().await;
}

#[actix_web::test]
async fn every_fault_of_a_change_is_named_with_those_of_its_first_day_and_its_reason() {
    let fleet = Fleet::start().await;
    let path = format!("/v1/models/{}", fleet.model);
    let token = fleet.token(&fleet.administrator);
    let etag = fleet
        .app
        .get(&token, &path)
        .await
        .succeeded(200)
        .etag()
        .to_owned();
    let change = json!({
        "starts_on": "tomorrow", "reason": 7, "wll": {"value": 3, "unit": "kg"}, "jaw_opening": {"max": {"value": "4", "unit": "kg"}},
        "kind": null, "lok": "spring",
    });
    let reply = fleet.app.patch(&token, &path, &etag, &change).await;
    reply.refused(422, "invalid-input");
    let mut named = places(&reply.body);
    named.sort();
    assert_eq!(
        named,
        expected(&[
            ("/jaw_opening/max/unit", "unknown-word"),
            ("/kind", "missing-field"),
            ("/lok", "unknown-field"),
            ("/reason", "wrong-type"),
            ("/starts_on", "time-malformed"),
            ("/wll/value", "wrong-type"),
        ])
    );
    fleet.stop().await;
}

#[actix_web::test]
async fn every_rule_that_a_well_formed_body_breaks_is_named_at_once() {
    let fleet = Fleet::start().await;
    let model = json!({
        "maker": " ", "model": "", "kind": "vertical", "wll": kg("0"), "lock": "spring", "eye": "free",
        "jaw_opening": {"min": mm("40"), "max": mm("10")},
    });
    let reply = fleet.post(&fleet.administrator, "/v1/models", &model).await;
    reply
        .refused(422, "invalid-input")
        .at("/maker", "invalid-name")
        .at("/model", "invalid-name")
        .at("/wll", "out-of-range")
        .at("/jaw_opening", "out-of-order");
    fleet.stop().await;
}

#[actix_web::test]
async fn every_fault_of_the_notation_is_named_at_once_and_no_more_than_twenty() {
    let fleet = Fleet::start().await;
    let endpoints = endpoints::all(&fleet).await;
    let registration = endpoints.first().expect("an endpoint");
    let text = br#"{"a": 0.5, "b": {"c": 9007199254740993}, "a": "x\u0000"}"#.to_vec();
    let reply = registration.send(&fleet.app, text).await;
    reply
        .refused(400, "malformed-json")
        .at("/a", "decimal-number")
        .at("/b/c", "integer-too-large")
        .at("/a", "duplicate-key")
        .at("/a", "nul-character");
    let many = format!("[{}]", vec!["0.5"; 50_000].join(",")).into_bytes();
    let reply = registration.send(&fleet.app, many).await;
    reply.refused(400, "malformed-json");
    assert_eq!(reply.body["errors"].as_array().map(Vec::len), Some(20));
    fleet.stop().await;
}

/// Goal: the schemas that faults are read from say the same as the reader. Method: every endpoint's good body with one
/// fault has that fault alone.
#[actix_web::test]
async fn a_body_with_one_fault_is_faulted_once() {
    let fleet = Fleet::start().await;
    for endpoint in endpoints::all(&fleet).await {
        let mut body = endpoint.good.clone();
        body["colour"] = json!("red");
        let reply = endpoint.send(&fleet.app, body.to_string().into_bytes()).await;
        assert_eq!(
            places(&reply.body),
            expected(&[("/colour", "unknown-field")]),
            "{}",
            endpoint.name
        );
    }
    fleet.stop().await;
}
