//! Held entries over HTTP: listed to those who answer for them, placed, dismissed, replayed.

use crate::support::{PersonsKey, Tablet};
use crate::trade::bodies::*;
use crate::trade::fleet::Fleet;
use serde_json::{Value, json};

#[actix_web::test]
async fn what_was_held_for_an_unknown_clamp_is_recorded_by_itself_once_the_clamp_is_registered() {
    let fleet = Fleet::start().await;
    let tablet = fleet.tablet(&[&fleet.newport]).await;
    let clamp = fleet.new_id();
    let tagged = tablet.writes(&fleet.operator, &clamp, "tagged_out", tag_out("dropped"));
    let pushed = tablet.pushes(std::slice::from_ref(&tagged)).await;
    assert_eq!(pushed.text("/results/0/held"), "unknown_clamp");
    fleet.later();
    let registration = fleet.entry(fleet.registration(&clamp, "4711"));
    fleet
        .post(&fleet.lead, "/v1/clamps", &registration)
        .await
        .succeeded(201);
    let store = fleet.app.store().await;
    let again = |raw: &[u8]| clampward_api::routes::sync::again(raw);
    assert_eq!(store.replay_held(&again, 10).await.expect("a count"), 1);
    let again = tablet.pushes(&[tagged]).await;
    assert_eq!(again.text("/results/0/outcome"), "already_recorded");
    assert_eq!(again.body["results"][0]["state_now"]["fit"], false);
    let listed = fleet
        .get(&fleet.lead, "/v1/held-entries?state=replayed")
        .await
        .succeeded(200);
    assert_eq!(listed.body["items"][0]["settled_clamp"], json!(clamp));
    fleet.app.verify().await;
    fleet.stop().await;
}

#[actix_web::test]
async fn a_held_entry_is_seen_by_those_who_answer_for_its_yard_and_settled_once() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("4711").await;
    let tablet = fleet.tablet(&[&fleet.newport]).await;
    let held = fleet.held(&tablet.device).await;
    let path = format!("/v1/held-entries/{held}");
    let read = fleet.get(&fleet.lead, &path).await.succeeded(200);
    assert!(read.text("/raw").contains("NOBODYS-7"));
    assert_eq!(read.body["entry"], json!(null), "no envelope beside it");
    fleet.get(&fleet.stranger, &path).await.refused(404, "not-found");
    fleet
        .get(&fleet.operator, &path)
        .await
        .refused(403, "not-allowed");
    let theirs = fleet
        .get(&fleet.stranger, "/v1/held-entries")
        .await
        .succeeded(200);
    assert_eq!(theirs.body["items"], json!([]));
    let elsewhere = fleet.british_clamp("THEIRS").await;
    let place = |clamp: &str| json!({"clamp_id": clamp});
    let placements = format!("{path}/placements");
    fleet
        .post(&fleet.lead, &placements, &place(&elsewhere))
        .await
        .refused(404, "not-found");
    fleet
        .post(&fleet.lead, &placements, &place(&clamp))
        .await
        .succeeded(201);
    fleet
        .post(&fleet.lead, &placements, &place(&clamp))
        .await
        .refused(409, "held-entry-settled");
    let dismissal = format!("{path}/dismissal");
    let reason = json!({"reason": "a slip"});
    fleet
        .post(&fleet.lead, &dismissal, &reason)
        .await
        .refused(409, "held-entry-settled");
    fleet
        .post(&fleet.lead, &dismissal, &json!({"reason": " "}))
        .await
        .refused(422, "invalid-input");
    fleet.app.verify().await;
    fleet.stop().await;
}

#[actix_web::test]
async fn what_cannot_be_read_bars_its_clamp_until_a_person_returns_it_and_can_only_be_dismissed() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("4711").await;
    let tablet = fleet.tablet(&[&fleet.newport]).await;
    let entry = tablet.writes(&fleet.operator, &clamp, "tagged_out", json!({"reason": "tired"}));
    let pushed = tablet.pushes(&[entry]).await;
    assert_eq!(pushed.text("/results/0/held"), "unreadable");
    assert_eq!(pushed.text("/results/0/problem/errors/0/pointer"), "/body/reason");
    let now = fleet
        .get(&fleet.lead, &format!("/v1/clamps/{clamp}"))
        .await
        .succeeded(200);
    assert_eq!(now.text("/open_lockouts/0/reason"), "held");
    let listed = fleet
        .get(&fleet.lead, "/v1/held-entries?reason=unreadable&state=held")
        .await
        .succeeded(200);
    assert_eq!(listed.body["items"][0]["bars"], json!([clamp]));
    let path = format!("/v1/held-entries/{}", listed.text("/items/0/id"));
    let placed = fleet
        .post(
            &fleet.lead,
            &format!("{path}/placements"),
            &json!({"clamp_id": clamp}),
        )
        .await;
    placed.refused(422, "not-an-entry");
    fleet
        .post(
            &fleet.lead,
            &format!("{path}/dismissal"),
            &json!({"reason": "a slip"}),
        )
        .await
        .succeeded(200);
    let now = fleet
        .get(&fleet.lead, &format!("/v1/clamps/{clamp}"))
        .await
        .succeeded(200);
    assert_eq!(now.text("/status"), "tagged_out");
    fleet.stop().await;
}

#[actix_web::test]
async fn what_a_person_dismissed_is_dismissed_in_the_receipts() {
    let fleet = Fleet::start().await;
    let tablet = fleet.tablet(&[&fleet.newport]).await;
    let held = fleet.held(&tablet.device).await;
    let receipt = async || {
        let receipts = tablet.reads("/v1/sync/receipts").await.succeeded(200);
        receipts.text("/items/0/outcome")
    };
    assert_eq!(receipt().await, "held");
    fleet
        .post(
            &fleet.lead,
            &format!("/v1/held-entries/{held}/dismissal"),
            &json!({"reason": "a slip"}),
        )
        .await
        .succeeded(200);
    assert_eq!(receipt().await, "dismissed");
    fleet.stop().await;
}

/// A clamp that awaits its return to service, with what a lead writes on a tablet to return it.
struct Returned {
    clamp: String,
    registration: String,
    entry: Value,
}

async fn returned(fleet: &Fleet, tablet: &Tablet<'_>, key: &PersonsKey, mark: Option<&str>) -> Returned {
    let clamp = fleet.new_id();
    let registered = fleet
        .register(&fleet.lead, fleet.registration(&clamp, "4711"))
        .await
        .succeeded(201);
    fleet
        .inspect(&fleet.inspector, &clamp, accepted("initial"))
        .await
        .succeeded(201);
    let lockout = fleet.reject(&clamp, "shackle_eye_worn").await;
    let done = fleet
        .repair_and_inspect(&clamp, repair("shackle", &[&lockout]))
        .await;
    fleet.later();
    let body = returning(&[
        release(&lockout, "repaired", &done.repair, &done.inspection),
        release(
            &done.not_reinspected,
            "reinspected",
            &done.repair,
            &done.inspection,
        ),
    ]);
    let mut entry = tablet.writes(&fleet.lead, &clamp, "returned_to_service", body);
    if let Some(mark) = mark {
        entry.as_object_mut().expect("an object").remove("clamp_id");
        entry["mark"] = json!(mark);
    }
    Returned {
        clamp,
        registration: registered.entry_id(),
        entry: tablet.signs(key, entry),
    }
}

async fn withdraws(fleet: &Fleet, tablet: &Tablet<'_>, key: &PersonsKey) {
    let path = format!(
        "/v1/devices/{}/signing-keys/{}/revocation",
        tablet.device.id, key.id
    );
    fleet
        .post(&fleet.lead, &path, &json!({"reason": "Short code was seen"}))
        .await
        .succeeded(200);
}

/// Goal: fitness by a key whose short code was seen. Method: the key is replaced before it is withdrawn.
#[actix_web::test]
async fn a_key_that_was_replaced_can_still_be_withdrawn_and_frees_nothing_then() {
    for is_withdrawn in [false, true] {
        let fleet = Fleet::start().await;
        let tablet = fleet.tablet(&[&fleet.newport]).await;
        let first = tablet.key_of(&fleet.lead).await;
        let returned = returned(&fleet, &tablet, &first, None).await;
        fleet.later();
        tablet.key_of(&fleet.lead).await;
        fleet.later();
        if is_withdrawn {
            withdraws(&fleet, &tablet, &first).await;
            fleet.later();
        }
        let pushed = tablet.pushes(&[returned.entry]).await;
        assert_eq!(pushed.text("/results/0/outcome"), "recorded");
        let open = fleet.open_lockouts(&returned.clamp).await;
        if is_withdrawn {
            let remarks = pushed.body["results"][0]["result"]["remarks"].to_string();
            assert!(remarks.contains("The key was withdrawn"), "{remarks}");
            assert_eq!(open, ["not_reinspected", "shackle_eye_worn"]);
        } else {
            assert_eq!(
                open,
                Vec::<String>::new(),
                "replaced, it is believed of what counts before"
            );
        }
        fleet.app.verify().await;
        fleet.stop().await;
    }
}

#[actix_web::test]
async fn a_device_that_is_revoked_takes_its_replaced_keys_with_it() {
    let fleet = Fleet::start().await;
    let tablet = fleet.tablet(&[&fleet.newport]).await;
    let first = tablet.key_of(&fleet.lead).await;
    let returned = returned(&fleet, &tablet, &first, None).await;
    fleet.later();
    tablet.key_of(&fleet.lead).await;
    fleet.later();
    fleet
        .post(
            &fleet.lead,
            &format!("/v1/devices/{}/revocation", tablet.device.id),
            &json!({"reason": "left behind on the quay"}),
        )
        .await
        .succeeded(200);
    fleet.later();
    let file = crate::support::batch(&tablet.device.id, &[returned.entry]);
    let brought = fleet
        .post(&fleet.lead, "/v1/sync/imports", &file)
        .await
        .succeeded(200);
    assert_eq!(brought.text("/results/0/outcome"), "recorded");
    assert_eq!(
        fleet.open_lockouts(&returned.clamp).await,
        ["not_reinspected", "shackle_eye_worn"]
    );
    fleet.app.verify().await;
    fleet.stop().await;
}

#[actix_web::test]
async fn a_return_that_waits_frees_nothing_once_the_key_that_signed_it_was_withdrawn() {
    for is_withdrawn in [false, true] {
        let fleet = Fleet::start().await;
        let tablet = fleet.tablet(&[&fleet.newport]).await;
        let key = tablet.key_of(&fleet.lead).await;
        let returned = returned(&fleet, &tablet, &key, Some("HMW-9001")).await;
        fleet.later();
        let pushed = tablet.pushes(std::slice::from_ref(&returned.entry)).await;
        assert_eq!(pushed.text("/results/0/held"), "unknown_clamp");
        fleet.later();
        if is_withdrawn {
            withdraws(&fleet, &tablet, &key).await;
            fleet.later();
        }
        let marked = amendment(&returned.registration, "asset_mark", json!("HMW-9001"));
        fleet
            .amend(&fleet.inspector, &returned.clamp, marked)
            .await
            .succeeded(201);
        let store = fleet.app.store().await;
        let again = |raw: &[u8]| clampward_api::routes::sync::again(raw);
        assert_eq!(store.replay_held(&again, 10).await.expect("a count"), 1);
        let open = fleet.open_lockouts(&returned.clamp).await;
        assert_eq!(open.is_empty(), !is_withdrawn, "{open:?}");
        fleet.app.verify().await;
        fleet.stop().await;
    }
}
