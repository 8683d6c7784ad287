//! Scrapped clamps: unusable, their number never used again, brought back by two persons only.

use super::bodies::*;
use super::entries::{codes, opened};
use super::fleet::{Fleet, with};
use serde_json::json;

fn scrapping() -> serde_json::Value {
    json!({"reason": "body plate cracked", "made_unusable": "cut through", "witness": "Eva Holt"})
}

#[actix_web::test]
async fn a_retired_clamp_is_fit_for_nothing() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let (rejected, lockout) = fleet.rejected_clamp("2", "shackle_eye_worn").await;
    let done = fleet
        .repair_and_inspect(&rejected, repair("shackle", &[&lockout]))
        .await;
    for id in [&clamp, &rejected] {
        fleet.retire(&fleet.lead, id, scrapping()).await.succeeded(201);
        assert_eq!(
            fleet.clamp(&fleet.keeper, id).await.succeeded(200).body["status"],
            "retired"
        );
    }
    assert_eq!(fleet.reasons(&clamp).await, ["retired"]);
    assert_eq!(
        fleet
            .fitness_of_mark(&fleet.keeper, "HMW-1")
            .await
            .succeeded(200)
            .body["fit"],
        false
    );
    fleet
        .issue(&fleet.keeper, &clamp, json!({"issued_to": fleet.operator.id}))
        .await
        .refused(409, "clamp-retired");
    fleet
        .inspect(&fleet.inspector, &clamp, accepted("periodic"))
        .await
        .refused(409, "clamp-retired");
    fleet
        .repair(&fleet.technician, &clamp, repair("spring", &[]))
        .await
        .refused(409, "clamp-retired");
    fleet
        .transfer(&fleet.safety, &clamp, json!({"to_yard": fleet.galveston}))
        .await
        .refused(409, "clamp-retired");
    let back = returning(&[
        release(&lockout, "repaired", &done.repair, &done.inspection),
        release(
            &done.not_reinspected,
            "reinspected",
            &done.repair,
            &done.inspection,
        ),
    ]);
    fleet
        .return_to_service(&fleet.lead, &rejected, back)
        .await
        .refused(409, "clamp-retired");
    let lift = fleet
        .lift(&fleet.operator, &[&clamp], json!({}))
        .await
        .succeeded(200);
    assert_eq!(lift.body["decision"], "stop");
    assert_eq!(codes(&lift.body["reasons"]), ["retired"]);
    // What restricts is recorded of a scrapped clamp too, and so is that somebody lifted with it.
    fleet
        .tag_out(&fleet.operator, &clamp, tag_out("dropped"))
        .await
        .succeeded(201);
    let lifts = json!({"from": fleet.now().to_string(), "lifts": 1});
    let used = fleet.used(&fleet.operator, &clamp, lifts).await.succeeded(201);
    assert!(
        used.remarks().contains(&"used_while_not_fit".to_owned()),
        "{}",
        used.body
    );
    fleet.stop().await;
}

#[actix_web::test]
async fn a_retirement_is_undone_by_two_persons_and_the_clamp_comes_back_tagged_out() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let retired = fleet
        .retire(&fleet.lead, &clamp, scrapping())
        .await
        .succeeded(201);
    let undoing = amendment(
        &retired.entry_id(),
        "retirement_undone",
        json!("The clamp beside it was meant"),
    );
    fleet
        .amend(&fleet.lead, &clamp, undoing.clone())
        .await
        .refused(409, "state-conflict");
    let undone = fleet.amend(&fleet.safety, &clamp, undoing).await.succeeded(201);
    let status = async || {
        fleet
            .clamp(&fleet.keeper, &clamp)
            .await
            .succeeded(200)
            .text("/status")
    };
    assert_eq!(status().await, "retired", "one person undoes nothing");
    fleet
        .confirm_amendment(&fleet.safety, &clamp, &undone.entry_id())
        .await
        .refused(409, "state-conflict");
    assert_eq!(status().await, "retired");
    fleet
        .confirm_amendment(&fleet.lead, &clamp, &undone.entry_id())
        .await
        .succeeded(201);
    assert_eq!(status().await, "tagged_out");
    assert_eq!(fleet.open_lockouts(&clamp).await, ["retirement_undone"]);

    let lockout = opened(&undone, "retirement_undone");
    let looked_at = exceptional("precaution", &lockout);
    let inspection = fleet
        .inspect(&fleet.inspector, &clamp, looked_at)
        .await
        .succeeded(201)
        .entry_id();
    let back = returning(&[inspected_fit(&lockout, &inspection)]);
    fleet
        .return_to_service(&fleet.lead, &clamp, back)
        .await
        .succeeded(201);
    assert_eq!(fleet.reasons(&clamp).await, [""; 0]);
    // What was true in between stays true of those days.
    let then = format!("as_of={}", retired.text("/recorded_at"));
    let known = format!("{then}&known_at={}", retired.text("/recorded_at"));
    assert_eq!(
        fleet
            .clamp_then(&fleet.safety, &clamp, &known)
            .await
            .succeeded(200)
            .body["status"],
        "retired"
    );
    fleet.stop().await;
}

#[actix_web::test]
async fn the_number_of_a_scrapped_clamp_is_never_used_again_by_its_maker() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("OK-200").await;
    fleet
        .retire(&fleet.lead, &clamp, scrapping())
        .await
        .succeeded(201);
    let id = fleet.new_id();
    for number in ["OK-200", "ok 200"] {
        let again = with(fleet.registration(&id, "9"), &json!({"serial_number": number}));
        fleet
            .register(&fleet.lead, again)
            .await
            .refused(409, "number-taken");
    }
    fleet.clamp(&fleet.safety, &id).await.refused(404, "not-found");
    let other = with(
        fleet.registration(&id, "9"),
        &json!({"serial_number": "OK-200", "model_id": fleet.other_maker}),
    );
    fleet.register(&fleet.lead, other).await.succeeded(201);
    fleet.stop().await;
}
