//! Yards: what one sees of others, and where a clamp is.

use super::bodies::*;
use super::entries::opened;
use super::fleet::{Fleet, kg, mm, with};
use serde_json::{Value, json};

#[actix_web::test]
async fn a_clamp_of_somebody_elses_yard_is_not_there_for_reading_nor_for_any_entry_that_frees() {
    let fleet = Fleet::start().await;
    let (clamp, lockout) = fleet.rejected_clamp("1", "shackle_eye_worn").await;
    let entries = fleet.recorded(&clamp).await;
    for path in ["", "/fitness", "/entries", "/wear", "?as_of=2025-03-14"] {
        let path = format!("/v1/clamps/{clamp}{path}");
        fleet.get(&fleet.stranger, &path).await.refused(404, "not-found");
    }
    fleet
        .fitness_of_mark(&fleet.stranger, "HMW-1")
        .await
        .refused(404, "not-found");
    let listed = fleet.get(&fleet.stranger, "/v1/clamps").await.succeeded(200);
    assert_eq!(listed.body["items"], json!([]));
    fleet
        .lift(&fleet.stranger, &[&clamp], json!({}))
        .await
        .refused(404, "not-found");
    let some_entry = fleet.new_id();
    let frees = [
        ("inspections", accepted("frequent")),
        ("repairs", repair("shackle", &[&lockout])),
        ("proof-tests", json!({"load": kg("3750"), "result": "passed"})),
        (
            "returns-to-service",
            returning(&[release(&lockout, "repaired", &some_entry, &some_entry)]),
        ),
        ("transfers", json!({"to_yard": fleet.clydebank})),
        ("classifications", json!({"service_class": "severe"})),
        ("issues", json!({"issued_to_name": "gang 4"})),
        ("receipts", json!({})),
        ("amendments", amendment(&some_entry, "asset_mark", json!("CLY-1"))),
        (
            "returns-to-service/0195f000-0000-7000-8000-0000000000aa/confirmation",
            json!({}),
        ),
        (
            "amendments/0195f000-0000-7000-8000-0000000000aa/confirmation",
            json!({}),
        ),
        ("retirement", json!({"reason": "worn out"})),
        ("uses", json!({"from": "2025-03-14T09:00:00Z", "lifts": 1})),
    ];
    let nowhere = fleet.new_id();
    for (kind, body) in frees {
        let send = async |id: &str| {
            fleet
                .post(
                    &fleet.stranger,
                    &format!("/v1/clamps/{id}/{kind}"),
                    &fleet.entry(body.clone()),
                )
                .await
        };
        let (theirs, nobodys) = (send(&clamp).await, send(&nowhere).await);
        theirs.refused(404, "not-found");
        assert_eq!(theirs.body["detail"], nobodys.body["detail"], "{kind}");
    }
    let taken = with(
        fleet.registration(&clamp, "9"),
        &json!({"yard_id": fleet.clydebank}),
    );
    fleet
        .register(&fleet.stranger, taken)
        .await
        .refused(404, "not-found");
    assert_eq!(fleet.recorded(&clamp).await, entries);
    fleet.stop().await;
}

#[actix_web::test]
async fn a_tag_out_of_another_yards_clamp_is_recorded_bars_there_and_reveals_nothing() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let path = format!("/v1/clamps/{clamp}/tag-outs");
    let entry = fleet.entry(tag_out("dropped"));
    let told = fleet.post(&fleet.stranger, &path, &entry).await.succeeded(201);
    assert_eq!(
        told.body,
        json!({"entry_id": entry["entry_id"], "outcome": "recorded"})
    );
    let again = fleet.post(&fleet.stranger, &path, &entry).await.succeeded(200);
    assert_eq!(
        again.body,
        json!({"entry_id": entry["entry_id"], "outcome": "already_recorded"})
    );
    assert_eq!(fleet.open_lockouts(&clamp).await, ["dropped"]);
    let seen = fleet.history(&fleet.keeper, &clamp).await.succeeded(200);
    assert_eq!(
        seen.body["items"][0]["performed_by"], fleet.stranger.id,
        "its own yard sees who it was"
    );
    fleet.stop().await;
}

#[actix_web::test]
async fn a_rejecting_inspection_of_another_yards_clamp_bars_there_and_reveals_nothing() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let scrapped = fleet.fit_clamp("2").await;
    fleet
        .retire(&fleet.lead, &scrapped, json!({"reason": "worn out"}))
        .await
        .succeeded(201);
    let rejecting = finding(accepted("frequent"), "pin_bent", json!({"outcome": "reject"}));
    for id in [&clamp, &scrapped] {
        let told = fleet
            .inspect(&fleet.stranger, id, rejecting.clone())
            .await
            .succeeded(201);
        assert_eq!(
            told.body,
            json!({"entry_id": told.entry_id(), "outcome": "recorded"}),
            "scrapped or not"
        );
        assert_eq!(fleet.open_lockouts(id).await, ["pin_bent"]);
    }
    fleet.stop().await;
}

/// A defect with a date does not bar at once, so that an examination that finds one is credited: not from outside.
#[actix_web::test]
async fn an_examination_from_outside_the_clamps_yards_restricts_and_starts_no_clock() {
    let fleet = Fleet::start().await;
    let clamp = fleet.british_clamp("1").await;
    fleet.at("2025-09-01T09:00:00Z");
    let dated = json!({"outcome": "reject", "grade": "danger_by", "by_date": "2025-09-20"});
    let examination = with(
        finding(accepted("periodic"), "pin_bent", dated),
        &json!({"basis": "limb_i"}),
    );
    fleet
        .inspect(&fleet.inspector, &clamp, examination)
        .await
        .succeeded(201);
    let view = fleet.clamp(&fleet.stranger, &clamp).await.succeeded(200);
    assert_eq!(view.body["due"]["periodic"]["on"], "2025-09-14");
    assert_eq!(view.body["open_lockouts"][0]["grade"], "danger");
    assert_eq!(fleet.reasons(&clamp).await, ["tagged_out"]);
    fleet.stop().await;
}

#[actix_web::test]
async fn a_transfer_that_names_no_predecessor_follows_the_present_place() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let move_to = async |yard: &str| {
        fleet
            .transfer(&fleet.lead, &clamp, json!({"to_yard": yard}))
            .await
            .succeeded(201)
    };
    for yard in [&fleet.galveston, &fleet.newport, &fleet.galveston] {
        let moved = move_to(yard).await;
        assert_eq!(moved.remarks(), [""; 0]);
        let view = fleet.clamp(&fleet.lead, &clamp).await.succeeded(200);
        assert_eq!(view.body["yards"], json!([yard]));
        assert_eq!(view.body["yard_id"], *yard);
    }
    fleet.clamp(&fleet.keeper, &clamp).await.refused(404, "not-found");
    let nowhere = fleet.new_id();
    let unknown = fleet
        .transfer(&fleet.safety, &clamp, json!({"to_yard": nowhere}))
        .await;
    unknown.refused(422, "invalid-input").at("/to_yard", "unknown");
    fleet.stop().await;
}

#[actix_web::test]
async fn two_transfers_from_the_same_place_leave_the_clamp_in_doubt_and_both_yards_see_it() {
    let fleet = Fleet::start().await;
    let id = fleet.new_id();
    let registered = fleet
        .register(&fleet.lead, fleet.registration(&id, "1"))
        .await
        .succeeded(201)
        .entry_id();
    fleet
        .inspect(&fleet.inspector, &id, accepted("initial"))
        .await
        .succeeded(201);
    let from_there = |yard: &str| json!({"to_yard": yard, "replaces": registered});
    let first = fleet
        .transfer(&fleet.safety, &id, from_there(&fleet.galveston))
        .await
        .succeeded(201);
    let second = fleet
        .transfer(&fleet.safety, &id, from_there(&fleet.clydebank))
        .await
        .succeeded(201);
    assert_eq!(second.remarks(), ["place_in_doubt"]);
    for person in [&fleet.lead, &fleet.stranger] {
        let view = fleet.clamp(person, &id).await.succeeded(200);
        assert_eq!(view.body["yard_id"], Value::Null);
        assert_eq!(view.body["yards"].as_array().map(Vec::len), Some(2));
    }
    fleet.clamp(&fleet.keeper, &id).await.refused(404, "not-found");
    // Both yards' rules count: it was never thoroughly examined.
    assert_eq!(fleet.reasons(&id).await, ["awaiting_initial_inspection"]);
    let settling = json!({"to_yard": fleet.galveston, "replaces": second.entry_id()});
    fleet.transfer(&fleet.safety, &id, settling).await.succeeded(201);
    assert_eq!(fleet.reasons(&id).await, [""; 0]);
    fleet.clamp(&fleet.stranger, &id).await.refused(404, "not-found");
    assert_ne!(first.entry_id(), second.entry_id());
    fleet.stop().await;
}

// Source: gb-loler 5 % of an eye (DGUV 209-013): 28.5 of 30 mm; us-b30.20 10 %: 27.0 mm.
#[actix_web::test]
async fn a_back_dated_transfer_to_a_yard_with_a_looser_rule_set_frees_nothing() {
    let fleet = Fleet::start().await;
    let clamp = fleet.british_clamp("1").await;
    fleet.at("2025-03-20T09:00:00Z");
    let worn = json!({"measured": mm("28.0"), "uncertainty": mm("0.1")});
    let measured = finding(accepted("frequent"), "shackle_eye_worn", worn);
    let inspected = fleet
        .inspect(&fleet.stranger, &clamp, measured)
        .await
        .succeeded(201);
    let lockout = opened(&inspected, "shackle_eye_worn");
    let before_that = json!({"to_yard": fleet.newport, "performed_at": "2025-03-19T09:00:00Z"});
    let moved = fleet
        .transfer(&fleet.safety, &clamp, before_that)
        .await
        .succeeded(201);
    assert_eq!(moved.remarks(), ["back_entry", "still_tagged_out"]);
    let view = fleet.clamp(&fleet.keeper, &clamp).await.succeeded(200);
    assert_eq!(view.body["yard_id"], fleet.newport);
    assert_eq!(view.body["open_lockouts"][0]["id"], lockout);
    assert_eq!(fleet.reasons(&clamp).await, ["tagged_out"]);
    fleet.stop().await;
}
