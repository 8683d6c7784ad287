//! The journal of lift checks: every answer is kept, asked again under one id or not, and never changed.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test fails by panicking"
)]

mod support;

use clampward_domain::ids::LiftCheckId;
use clampward_store::LiftCheckRecord;
use jiff::SignedDuration;
use serde_json::json;
use support::refused;
use support::world::*;

#[tokio::test]
async fn each_answer_under_an_id_is_kept_in_its_month_and_never_changed() {
    let world = World::new().await;
    let store = &world.bench.store;
    store.prepare_lift_check_months().await.unwrap();
    let clamp = world.in_service("19").await;
    let mut check = LiftCheckRecord {
        id: LiftCheckId::new(world.uuid()),
        asked_at: store.now(),
        asked_by: OPERATOR,
        clamps: vec![clamp],
        yards: vec![NORTH],
        decision: "clear".to_owned(),
        position: 1,
        request: json!({}),
        answer: json!({"decision": "clear"}),
    };
    store.keep_lift_check(&check).await.unwrap();
    check.asked_at += SignedDuration::from_hours(1);
    check.decision = "stop".to_owned();
    check.answer = json!({"decision": "stop"});
    store.keep_lift_check(&check).await.unwrap();
    let answers = store.lift_check_answers(check.id).await.unwrap();
    assert_eq!(
        answers,
        [json!({"decision": "clear"}), json!({"decision": "stop"})]
    );

    let mut owner = world.bench.owner().await;
    let elsewhere: i64 = sqlx::query_scalar("select count(*) from lift_check_other")
        .fetch_one(&mut owner)
        .await
        .unwrap();
    assert_eq!(elsewhere, 0, "a prepared month has a partition of its own");
    for sql in [
        "update lift_check set decision = 'clear'",
        "delete from lift_check",
    ] {
        assert_eq!(refused(&mut owner, sql).await, "CW002", "{sql}");
    }
}
