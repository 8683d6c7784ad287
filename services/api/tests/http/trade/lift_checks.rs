//! May I lift this with that?

use super::bodies::*;
use super::entries::{codes, find};
use super::fleet::{Fleet, kg, with};
use serde_json::json;

#[actix_web::test]
async fn a_failed_every_lift_check_tags_the_clamps_out_for_everyone() {
    let fleet = Fleet::start().await;
    let (left, right) = (fleet.fit_clamp("1").await, fleet.fit_clamp("2").await);
    let failed = json!({"every_lift_check": "failed"});
    let stopped = fleet
        .lift(&fleet.operator, &[&left, &right], failed)
        .await
        .succeeded(200);
    assert_eq!(stopped.body["decision"], "stop");
    assert_eq!(
        codes(&stopped.body["reasons"]),
        ["every_lift_check_failed", "tagged_out"]
    );
    for clamp in [&left, &right] {
        assert_eq!(fleet.open_lockouts(clamp).await, ["every_lift_check_failed"]);
        fleet
            .issue(&fleet.keeper, clamp, json!({"issued_to": fleet.operator.id}))
            .await
            .refused(409, "tagged-out");
        let next = fleet.lift(&fleet.lead, &[clamp], json!({})).await.refused_lift();
        assert_eq!(next, ["tagged_out"]);
    }
    fleet.stop().await;
}

#[actix_web::test]
async fn a_failed_every_lift_check_tags_out_what_it_can_even_if_one_clamp_is_mistyped() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let nowhere = "00000000-0000-7000-8000-000000000001";
    let failed = json!({"every_lift_check": "failed"});
    fleet
        .lift(&fleet.operator, &[nowhere, &clamp], failed)
        .await
        .refused(404, "not-found");
    assert_eq!(fleet.open_lockouts(&clamp).await, ["every_lift_check_failed"]);
    fleet.stop().await;
}

#[actix_web::test]
async fn the_same_check_failed_again_after_the_clamp_was_returned_tags_it_out_again() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let failed = json!({"id": fleet.new_id(), "every_lift_check": "failed"});
    let fail = async || {
        fleet.later();
        let stopped = fleet.lift(&fleet.operator, &[&clamp], failed.clone()).await;
        assert!(
            stopped
                .refused_lift()
                .contains(&"every_lift_check_failed".to_owned())
        );
        assert_eq!(fleet.open_lockouts(&clamp).await, ["every_lift_check_failed"]);
        fleet.recorded(&clamp).await
    };
    for _ in 0..2 {
        let entries = fail().await;
        // Asked again while it is tagged out: nothing new is recorded.
        assert_eq!(fail().await, entries);
        let view = fleet.clamp(&fleet.safety, &clamp).await.succeeded(200);
        let lockout = find(&view.body["open_lockouts"], "every_lift_check_failed");
        fleet.later();
        let inspected = fleet
            .inspect(&fleet.inspector, &clamp, exceptional("precaution", &lockout))
            .await
            .succeeded(201)
            .entry_id();
        fleet
            .return_to_service(
                &fleet.lead,
                &clamp,
                returning(&[inspected_fit(&lockout, &inspected)]),
            )
            .await
            .succeeded(201);
        assert_eq!(fleet.reasons(&clamp).await, [""; 0]);
    }
    fail().await;
    fleet.stop().await;
}

#[actix_web::test]
async fn a_lift_check_asked_again_under_the_same_id_is_judged_anew() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let same = json!({"id": fleet.new_id()});
    let first = fleet
        .lift(&fleet.operator, &[&clamp], same.clone())
        .await
        .succeeded(200);
    assert_eq!(first.body["decision"], "clear", "{}", first.body);
    fleet
        .tag_out(&fleet.keeper, &clamp, tag_out("dropped"))
        .await
        .succeeded(201);
    assert_eq!(
        fleet.lift(&fleet.operator, &[&clamp], same).await.refused_lift(),
        ["tagged_out"]
    );
    fleet.stop().await;
}

#[actix_web::test]
async fn while_the_rating_is_in_doubt_the_lowest_wll_counts_and_the_clamp_stops_the_lift() {
    let fleet = Fleet::start().await;
    let id = fleet.new_id();
    let registration = with(fleet.registration(&id, "1"), &json!({"wll": kg("1000")}));
    fleet.register(&fleet.lead, registration).await.succeeded(201);
    fleet
        .inspect(&fleet.inspector, &id, accepted("initial"))
        .await
        .succeeded(201);
    let reasons = fleet
        .lift(&fleet.operator, &[&id], json!({}))
        .await
        .refused_lift();
    assert_eq!(reasons, ["tagged_out", "tension_over_wll"]);
    fleet.stop().await;
}

#[actix_web::test]
async fn a_clamp_that_is_overdue_stops_the_lift_from_the_first_second_of_the_next_day() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    fleet.at("2025-04-15T03:59:59Z");
    let last = fleet
        .lift(&fleet.operator, &[&clamp], json!({}))
        .await
        .succeeded(200);
    assert_eq!(last.body["decision"], "clear", "{}", last.body);
    fleet.at("2025-04-15T04:00:00Z");
    let overdue = fleet
        .lift(&fleet.operator, &[&clamp], json!({}))
        .await
        .refused_lift();
    assert_eq!(overdue, ["frequent_overdue"]);
    fleet.stop().await;
}
