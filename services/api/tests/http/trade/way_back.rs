//! The way back into service: what a return needs, each missing piece named.

use super::bodies::*;
use super::entries::find;
use super::fleet::{Fleet, with};
use serde_json::json;

#[actix_web::test]
async fn a_part_that_is_not_the_makers_keeps_the_clamp_tagged_out_and_the_refusal_names_the_part() {
    let fleet = Fleet::start().await;
    let (clamp, lockout) = fleet.rejected_clamp("1", "shackle_eye_worn").await;
    let done = fleet
        .repair_and_inspect(&clamp, foreign(repair("shackle", &[&lockout])))
        .await;
    assert_eq!(
        fleet.open_lockouts(&clamp).await,
        ["foreign_part", "not_reinspected", "shackle_eye_worn"]
    );
    let foreign_part = find(&done.opened, "foreign_part");
    let all = returning(&[
        release(&lockout, "repaired", &done.repair, &done.inspection),
        release(
            &done.not_reinspected,
            "reinspected",
            &done.repair,
            &done.inspection,
        ),
        release(&foreign_part, "restored", &done.repair, &done.inspection),
    ]);
    let entries = fleet.recorded(&clamp).await;
    let refused = fleet.return_to_service(&fleet.lead, &clamp, all).await;
    assert_eq!(
        refused.unmet(),
        ["foreign_part", "repair_does_not_answer", "statement_missing"]
    );
    assert!(
        refused.body["unmet"].to_string().contains("XX-9"),
        "{}",
        refused.body
    );
    assert_eq!(fleet.recorded(&clamp).await, entries, "a refusal records nothing");
    assert_eq!(fleet.reasons(&clamp).await, ["tagged_out"]);
    fleet.stop().await;
}

#[actix_web::test]
async fn nobody_reinspects_their_own_repair() {
    let fleet = Fleet::start().await;
    let (clamp, lockout) = fleet.rejected_clamp("1", "shackle_eye_worn").await;
    let repaired = fleet
        .repair(&fleet.technician, &clamp, repair("shackle", &[&lockout]))
        .await
        .succeeded(201);
    let not_reinspected = find(&repaired.body["result"]["opened"], "not_reinspected");
    // Qualified, but the repairer.
    let own = fleet
        .inspect(&fleet.technician, &clamp, after_repair(&repaired.entry_id()))
        .await
        .succeeded(201);
    assert_eq!(own.body["result"]["credited"], false);
    assert_eq!(own.body["result"]["not_credited"][0]["code"], "own_repair");
    let repair = repaired.entry_id();
    let naming = |inspection: &str| {
        returning(&[
            release(&lockout, "repaired", &repair, inspection),
            release(&not_reinspected, "reinspected", &repair, inspection),
        ])
    };
    let refused = fleet
        .return_to_service(&fleet.lead, &clamp, naming(&own.entry_id()))
        .await;
    assert_eq!(refused.unmet(), ["inspection_not_credited"]);
    let other = fleet
        .inspect(&fleet.inspector, &clamp, after_repair(&repair))
        .await
        .succeeded(201);
    fleet
        .return_to_service(&fleet.lead, &clamp, naming(&other.entry_id()))
        .await
        .succeeded(201);
    assert_eq!(fleet.reasons(&clamp).await, [""; 0]);
    fleet.stop().await;
}

#[actix_web::test]
async fn a_return_that_leaves_out_an_open_lockout_is_refused_and_names_it() {
    let fleet = Fleet::start().await;
    let (clamp, worn) = fleet.rejected_clamp("1", "shackle_eye_worn").await;
    let gouged = fleet.reject(&clamp, "spring_gouged_or_kinked").await;
    let done = fleet
        .repair_and_inspect(&clamp, repair("shackle", &[&worn]))
        .await;
    let without = returning(&[
        release(&worn, "repaired", &done.repair, &done.inspection),
        release(
            &done.not_reinspected,
            "reinspected",
            &done.repair,
            &done.inspection,
        ),
    ]);
    let refused = fleet.return_to_service(&fleet.lead, &clamp, without).await;
    assert_eq!(refused.unmet(), ["lockout_not_named"]);
    assert_eq!(refused.body["unmet"][0]["lockout_id"], gouged);
    assert_eq!(
        fleet.open_lockouts(&clamp).await.len(),
        3,
        "not even the named ones are closed"
    );
    fleet.stop().await;
}

#[actix_web::test]
async fn the_repair_of_an_earlier_rejection_supports_no_return_from_a_new_one() {
    let fleet = Fleet::start().await;
    let (clamp, first) = fleet.rejected_clamp("1", "shackle_eye_worn").await;
    let old = fleet
        .repair_and_inspect(&clamp, repair("shackle", &[&first]))
        .await;
    let back = returning(&[
        release(&first, "repaired", &old.repair, &old.inspection),
        release(&old.not_reinspected, "reinspected", &old.repair, &old.inspection),
    ]);
    fleet
        .return_to_service(&fleet.lead, &clamp, back)
        .await
        .succeeded(201);
    let second = fleet.reject(&clamp, "shackle_eye_worn").await;
    let citing_old = returning(&[release(&second, "repaired", &old.repair, &old.inspection)]);
    let refused = fleet.return_to_service(&fleet.lead, &clamp, citing_old).await;
    assert_eq!(refused.unmet(), ["repair_does_not_answer"]);
    // Nor does a new repair with the old inspection, or an old repair with a new one.
    let new = fleet
        .repair_and_inspect(&clamp, repair("shackle", &[&second]))
        .await;
    let mixed = returning(&[
        release(&second, "repaired", &new.repair, &old.inspection),
        release(&new.not_reinspected, "reinspected", &new.repair, &new.inspection),
    ]);
    assert_eq!(
        fleet.return_to_service(&fleet.lead, &clamp, mixed).await.unmet(),
        ["inspection_other_repair", "inspection_too_early"]
    );
    let closed_before = returning(&[
        release(&first, "repaired", &new.repair, &new.inspection),
        release(&second, "repaired", &new.repair, &new.inspection),
        release(&new.not_reinspected, "reinspected", &new.repair, &new.inspection),
    ]);
    assert_eq!(
        fleet
            .return_to_service(&fleet.lead, &clamp, closed_before)
            .await
            .unmet(),
        ["lockout_closed"]
    );
    assert_eq!(fleet.reasons(&clamp).await, ["tagged_out"]);
    fleet.stop().await;
}

#[actix_web::test]
async fn an_alteration_is_cleared_only_with_the_makers_statement_that_it_is_as_built_again() {
    let fleet = Fleet::start().await;
    let (clamp, welded) = fleet.rejected_clamp("1", "altered_by_welding").await;
    let restoring = with(repair("alteration", &[&welded]), &json!({"parts": []}));
    let bare = fleet.repair_and_inspect(&clamp, restoring.clone()).await;
    let on = |ground: &str| {
        returning(&[
            release(&welded, ground, &bare.repair, &bare.inspection),
            release(
                &bare.not_reinspected,
                "reinspected",
                &bare.repair,
                &bare.inspection,
            ),
        ])
    };
    let as_repair = fleet.return_to_service(&fleet.lead, &clamp, on("repaired")).await;
    assert_eq!(as_repair.unmet(), ["ground_not_allowed"]);
    let unstated = fleet.return_to_service(&fleet.lead, &clamp, on("restored")).await;
    assert_eq!(unstated.unmet(), ["statement_missing"]);
    let statement = json!({"statement_document": "Ostvik Klammer, statement 88/25"});
    let stated = fleet
        .repair_and_inspect(&clamp, with(restoring, &statement))
        .await;
    let restored = returning(&[
        release(&welded, "restored", &stated.repair, &stated.inspection),
        release(
            &bare.not_reinspected,
            "reinspected",
            &bare.repair,
            &bare.inspection,
        ),
        release(
            &stated.not_reinspected,
            "reinspected",
            &stated.repair,
            &stated.inspection,
        ),
    ]);
    fleet
        .return_to_service(&fleet.lead, &clamp, restored)
        .await
        .succeeded(201);
    assert_eq!(fleet.reasons(&clamp).await, [""; 0]);
    fleet.stop().await;
}

#[actix_web::test]
async fn of_two_repairs_the_first_with_a_foreign_part_citing_only_the_second_is_not_enough() {
    let fleet = Fleet::start().await;
    let (clamp, worn) = fleet.rejected_clamp("1", "shackle_eye_worn").await;
    let first = fleet
        .repair_and_inspect(&clamp, foreign(repair("shackle", &[&worn])))
        .await;
    let foreign_part = find(&first.opened, "foreign_part");
    let second = fleet
        .repair_and_inspect(&clamp, repair("shackle", &[&worn]))
        .await;
    let only_second = returning(&[
        release(&worn, "repaired", &second.repair, &second.inspection),
        release(
            &second.not_reinspected,
            "reinspected",
            &second.repair,
            &second.inspection,
        ),
    ]);
    let refused = fleet.return_to_service(&fleet.lead, &clamp, only_second).await;
    assert_eq!(refused.unmet(), ["lockout_not_named"]);
    assert_eq!(
        refused.body["unmet"].as_array().map(Vec::len),
        Some(2),
        "{}",
        refused.body
    );
    // The second repair's inspection says nothing of the first one, and that repair does not answer the foreign part.
    let all_by_second = returning(&[
        release(&worn, "repaired", &second.repair, &second.inspection),
        release(
            &second.not_reinspected,
            "reinspected",
            &second.repair,
            &second.inspection,
        ),
        release(
            &first.not_reinspected,
            "reinspected",
            &second.repair,
            &second.inspection,
        ),
        release(&foreign_part, "restored", &second.repair, &second.inspection),
    ]);
    let refused = fleet.return_to_service(&fleet.lead, &clamp, all_by_second).await;
    assert_eq!(
        refused.unmet(),
        [
            "inspection_other_repair",
            "repair_does_not_answer",
            "statement_missing"
        ]
    );
    // Taking the foreign part out answers it, with the maker's statement.
    let taking_out = with(
        repair("shackle", &[&worn, &foreign_part]),
        &json!({"statement_document": "Ostvik Klammer, statement 91/25"}),
    );
    let third = fleet.repair_and_inspect(&clamp, taking_out).await;
    let all = returning(&[
        release(&worn, "repaired", &third.repair, &third.inspection),
        release(&foreign_part, "restored", &third.repair, &third.inspection),
        release(
            &first.not_reinspected,
            "reinspected",
            &first.repair,
            &first.inspection,
        ),
        release(
            &second.not_reinspected,
            "reinspected",
            &second.repair,
            &second.inspection,
        ),
        release(
            &third.not_reinspected,
            "reinspected",
            &third.repair,
            &third.inspection,
        ),
    ]);
    fleet
        .return_to_service(&fleet.lead, &clamp, all)
        .await
        .succeeded(201);
    assert_eq!(fleet.reasons(&clamp).await, [""; 0]);
    fleet.stop().await;
}

#[actix_web::test]
async fn a_repair_of_a_clamp_in_service_bars_it_until_it_is_reinspected_and_returned() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let done = fleet.repair_and_inspect(&clamp, repair("spring", &[])).await;
    assert_eq!(fleet.open_lockouts(&clamp).await, ["not_reinspected"]);
    fleet
        .issue(&fleet.keeper, &clamp, json!({"issued_to": fleet.operator.id}))
        .await
        .refused(409, "tagged-out");
    let back = returning(&[release(
        &done.not_reinspected,
        "reinspected",
        &done.repair,
        &done.inspection,
    )]);
    fleet
        .return_to_service(&fleet.lead, &clamp, back)
        .await
        .succeeded(201);
    assert_eq!(fleet.reasons(&clamp).await, [""; 0]);
    fleet.stop().await;
}
