//! A shift's entries pushed: who may, what they count for, and what a device is told.

use crate::support::batch;
use crate::trade::bodies::*;
use crate::trade::fleet::{Fleet, with};
use clampward_api::config::Limits;
use serde_json::{Value, json};
use std::time::Duration;

fn codes(result: &Value) -> Vec<String> {
    let remarks = result["result"]["remarks"]
        .as_array()
        .cloned()
        .unwrap_or_default();
    remarks
        .iter()
        .map(|remark| remark["code"].as_str().unwrap_or_default().to_owned())
        .collect()
}

#[actix_web::test]
async fn what_a_person_signed_counts_and_what_they_did_not_only_restricts() {
    let fleet = Fleet::start().await;
    let clamp = fleet.new_clamp("4711").await;
    let tablet = fleet.tablet(&[&fleet.newport]).await;
    let key = tablet.key_of(&fleet.inspector).await;
    fleet.later();
    let unsigned = tablet.writes(&fleet.inspector, &clamp, "inspected", accepted("initial"));
    let good = tablet.writes(&fleet.inspector, &clamp, "inspected", accepted("initial"));
    // Signed for another clamp than it is sent for; signed by another person's key.
    let mut moved = tablet.signs(
        &key,
        tablet.writes(&fleet.inspector, &clamp, "inspected", accepted("initial")),
    );
    moved["performed_at"] = json!("2025-03-14T09:00:30Z");
    let by_another = tablet.signs(
        &key,
        tablet.writes(&fleet.lead, &clamp, "inspected", accepted("initial")),
    );
    let signed = tablet.signs(&key, good);
    fleet.later();
    let pushed = tablet.pushes(&[unsigned, moved, by_another, signed]).await;
    let results = pushed.body["results"].as_array().expect("results").clone();
    for result in &results[..3] {
        assert_eq!(
            (&result["outcome"], &result["result"]["credited"]),
            (&json!("recorded"), &json!(false)),
            "{result}"
        );
        assert!(codes(result).contains(&"not_signed".to_owned()), "{result}");
    }
    assert_eq!(results[3]["result"]["credited"], true, "{}", results[3]);
    assert_eq!(results[3]["state_now"]["fit"], true, "{}", results[3]);
    assert_eq!(pushed.body["received_to"], 4);
    assert!(pushed.body["stable_position"].as_u64() >= results[3]["position"].as_u64());
    fleet.app.verify().await;
    fleet.stop().await;
}

#[actix_web::test]
async fn a_device_pushes_for_itself_alone_and_nobody_else_pushes() {
    let fleet = Fleet::start().await;
    let tablet = fleet.tablet(&[&fleet.newport]).await;
    let other = fleet.tablet(&[&fleet.newport]).await;
    let theirs = batch(&other.device.id, &[]).to_string().into_bytes();
    tablet.sends_bytes(theirs, None).await.refused(404, "not-found");
    for person in [&fleet.safety, &fleet.administrator, &fleet.operator] {
        fleet
            .post(person, "/v1/sync/entries", &batch(&person.id, &[]))
            .await
            .refused(403, "not-allowed");
    }
    fleet.stop().await;
}

#[actix_web::test]
async fn a_retry_gets_the_first_result_and_the_state_now_and_receipts_say_what_arrived() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("4711").await;
    let tablet = fleet.tablet(&[&fleet.newport]).await;
    let entry = tablet.writes(&fleet.operator, &clamp, "tagged_out", tag_out("dropped"));
    let first = tablet.pushes(std::slice::from_ref(&entry)).await;
    assert_eq!(first.text("/results/0/outcome"), "recorded");
    fleet.later();
    for _ in 0..3 {
        let again = tablet.pushes(std::slice::from_ref(&entry)).await;
        assert_eq!(again.text("/results/0/outcome"), "already_recorded");
        for field in ["seq", "position", "recorded_at", "result"] {
            assert_eq!(
                again.body["results"][0][field], first.body["results"][0][field],
                "{field}"
            );
        }
    }
    let mut other = entry.clone();
    other["body"]["note"] = json!("from the rack");
    let refused = tablet.pushes(&[other]).await;
    assert_eq!(refused.text("/results/0/outcome"), "refused");
    assert_eq!(refused.text("/results/0/problem/code"), "id-reused");
    let mut late = tablet.writes(&fleet.operator, &clamp, "tagged_out", tag_out("dropped"));
    late["device_seq"] = json!(9);
    let pushed = tablet.pushes(&[late]).await;
    assert_eq!(
        (&pushed.body["received_to"], &pushed.body["missing"]),
        (&json!(9), &json!([[2, 8]]))
    );
    let receipts = tablet
        .reads("/v1/sync/receipts?from=1&limit=1")
        .await
        .succeeded(200);
    assert_eq!(receipts.body["items"][0]["entry_id"], entry["id"]);
    assert_eq!(receipts.body["items"][0]["outcome"], "recorded");
    assert_eq!(
        (&receipts.body["missing"], receipts.body["next"].is_u64()),
        (&json!([[2, 8]]), true)
    );
    tablet
        .reads("/v1/sync/receipts?limit=1001")
        .await
        .refused(400, "invalid-parameters");
    fleet.stop().await;
}

#[actix_web::test]
async fn the_file_of_a_revoked_device_is_brought_in_by_a_person_of_its_yards() {
    let fleet = Fleet::start().await;
    let clamp = fleet.new_clamp("4711").await;
    let tablet = fleet.tablet(&[&fleet.newport]).await;
    let key = tablet.key_of(&fleet.inspector).await;
    fleet.later();
    let signed = tablet.signs(
        &key,
        tablet.writes(&fleet.inspector, &clamp, "inspected", accepted("initial")),
    );
    fleet.later();
    let path = format!("/v1/devices/{}/revocation", tablet.device.id);
    fleet
        .post(
            &fleet.administrator,
            &path,
            &json!({"reason": "fell into the dock"}),
        )
        .await
        .succeeded(200);
    fleet.later();
    let later = tablet.writes(&fleet.inspector, &clamp, "inspected", accepted("frequent"));
    let rejects = tablet.writes(
        &fleet.inspector,
        &clamp,
        "inspected",
        finding(
            accepted("frequent"),
            "pin_bent",
            json!({"outcome": "reject", "grade": "danger"}),
        ),
    );
    let file = batch(&tablet.device.id, &[signed, later, rejects]);
    let refused = tablet.sends_bytes(file.to_string().into_bytes(), None).await;
    refused.refused(401, "not-signed-in");
    fleet
        .post(&fleet.stranger, "/v1/sync/imports", &file)
        .await
        .refused(404, "not-found");
    for already in [false, true] {
        let brought = fleet
            .post(&fleet.operator, "/v1/sync/imports", &file)
            .await
            .succeeded(200);
        let outcome = if already { "already_recorded" } else { "recorded" };
        assert_eq!(brought.text("/results/0/outcome"), outcome);
        // Whoever has the tablet by now dates what they sign as they like: it is not lost, and not believed.
        assert_eq!(
            brought.body["results"][0]["result"]["credited"], false,
            "{}",
            brought.body
        );
        assert_eq!(brought.text("/results/1/held"), "device_revoked");
        assert_eq!(brought.text("/results/2/outcome"), outcome);
        assert_eq!(brought.body["results"][2]["state_now"]["fit"], false);
    }
    fleet.app.verify().await;
    fleet.stop().await;
}

#[actix_web::test]
async fn a_rejection_is_recorded_from_outside_the_yard_and_tells_nothing_and_may_bar_by_mark() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("4711").await;
    let tablet = fleet.tablet(&[&fleet.clydebank]).await;
    let mut tagged = tablet.writes(&fleet.stranger, &clamp, "tagged_out", tag_out("dropped"));
    tagged = with(tagged, &json!({"mark": "hmw 4711"}));
    tagged.as_object_mut().expect("an object").remove("clamp_id");
    let passed = tablet.writes(&fleet.stranger, &clamp, "inspected", accepted("frequent"));
    let pushed = tablet.pushes(&[tagged, passed]).await;
    let told = pushed.body["results"][0].as_object().expect("a result");
    let names: Vec<&String> = told.keys().collect();
    assert_eq!(names, ["index", "id", "outcome", "remarks"], "{}", pushed.body);
    assert_eq!(pushed.text("/results/1/held"), "unknown_clamp");
    let now = fleet
        .get(&fleet.lead, &format!("/v1/clamps/{clamp}"))
        .await
        .succeeded(200);
    assert_eq!(now.text("/status"), "tagged_out");
    fleet.stop().await;
}

#[actix_web::test]
async fn a_device_that_was_installed_anew_shows_how_many_entries_went_with_the_old_one() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("4711").await;
    let old = fleet.tablet(&[&fleet.newport]).await;
    let mut entry = old.writes(&fleet.operator, &clamp, "tagged_out", tag_out("dropped"));
    entry["device_seq"] = json!(4);
    let text = old
        .text(&[entry.to_string()])
        .replace("\"queue_length\":1,", "\"queue_length\":41,");
    assert!(text.contains("41"));
    old.sends_bytes(text.into_bytes(), None).await.succeeded(200);
    // It begins anew as another device; what was left on the old one is seen by whoever answers for the yard.
    fleet.tablet(&[&fleet.newport]).await;
    let devices = fleet
        .get(&fleet.lead, "/v1/devices?limit=200")
        .await
        .succeeded(200);
    let items = devices.body["items"].as_array().expect("devices").clone();
    let seen = items
        .iter()
        .find(|item| item["id"] == old.device.id.as_str())
        .expect("the old one");
    assert_eq!(
        (&seen["queue_length"], &seen["received_to"], &seen["missing"]),
        (&json!(41), &json!(4), &json!(3)),
        "{seen}"
    );
    fleet.stop().await;
}

/// Goal: the lock-outs of one clamp have no bound, and what is answered about it has one. Method: two thousand tag-outs of
/// one clamp, and the last five hundred sent again, as after a lost answer. They come in small batches, and a request may
/// take long: how fast they are taken is not asked here.
#[actix_web::test]
async fn a_clamp_that_was_tagged_out_two_thousand_times_is_answered_in_few_words() {
    let fleet = Fleet::start_with(Limits {
        request: Duration::from_secs(300),
        ..Limits::default()
    })
    .await;
    let clamp = fleet.fit_clamp("4711").await;
    let other = fleet.fit_clamp("4712").await;
    let tablet = fleet.tablet(&[&fleet.newport]).await;
    let entries: Vec<Value> = (0..2_000)
        .map(|_| tablet.writes(&fleet.operator, &clamp, "tagged_out", tag_out("dropped")))
        .collect();
    for batch in entries.chunks(100) {
        tablet.pushes(batch).await;
    }
    let mut last = entries[1_500..].to_vec();
    last.truncate(498);
    last.push(tablet.writes(&fleet.operator, &other, "tagged_out", tag_out("dropped")));
    last.push(tablet.writes(&fleet.operator, &clamp, "tagged_out", tag_out("dropped")));
    let again = tablet.pushes(&last).await;
    assert!(again.bytes.len() < 2 << 20, "{} bytes", again.bytes.len());
    let results = again.body["results"].as_array().expect("results");
    assert_eq!(results.len(), 500);
    assert_eq!(results[0]["outcome"], "already_recorded");
    // Each clamp's state once: with its last result.
    let told: Vec<usize> = (0..500)
        .filter(|index| results[*index].get("state_now").is_some())
        .collect();
    assert_eq!(told, [498, 499]);
    let standing = &results[499]["state_now"];
    assert_eq!(
        (&standing["fit"], &standing["status"]),
        (&json!(false), &json!("tagged_out"))
    );
    assert_eq!(standing["reasons"].as_array().map(Vec::len), Some(20));
    assert_eq!(standing["reasons_in_all"], 2_001);
    assert_eq!(results[498]["state_now"].get("reasons_in_all"), None);
    let path = format!("/v1/clamps/{clamp}/fitness");
    let fitness = fleet.get(&fleet.operator, &path).await.succeeded(200);
    assert_eq!(fitness.body["fit"], false);
    assert_eq!(fitness.body["reasons"].as_array().map(Vec::len), Some(20));
    assert_eq!(fitness.body["reasons_in_all"], 2_001);
    let list = fleet.get(&fleet.operator, "/v1/clamps").await.succeeded(200);
    let listed = list.body["items"].as_array().expect("items");
    let listed = listed
        .iter()
        .find(|item| item["id"] == json!(clamp))
        .expect("the clamp");
    assert_eq!(listed["open_lockouts"].as_array().map(Vec::len), Some(20));
    assert_eq!(listed["open_lockouts_in_all"], 2_001);
    // All of them are in the one place where they are asked for.
    let path = format!("/v1/clamps/{clamp}");
    let whole = fleet.get(&fleet.operator, &path).await.succeeded(200);
    assert_eq!(whole.body["open_lockouts"].as_array().map(Vec::len), Some(2_001));
    assert_eq!(
        whole.body["fitness"]["reasons"].as_array().map(Vec::len),
        Some(2_001)
    );
    fleet.stop().await;
}
