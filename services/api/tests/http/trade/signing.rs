//! Who signs a return, and what was known of people when they signed.

use super::bodies::*;
use super::entries::find;
use super::fleet::Fleet;
use serde_json::json;

#[actix_web::test]
async fn a_competence_recorded_afterwards_supports_no_return_that_was_signed_before() {
    let fleet = Fleet::start().await;
    let newcomer = fleet
        .person("Per Ek", &["technician"], &json!([fleet.newport]))
        .await;
    let (clamp, worn) = fleet.rejected_clamp("1", "shackle_eye_worn").await;
    let repaired = fleet
        .repair(&newcomer, &clamp, repair("shackle", &[&worn]))
        .await
        .succeeded(201);
    let repair = repaired.entry_id();
    let inspection = fleet
        .inspect(&fleet.inspector, &clamp, after_repair(&repair))
        .await
        .succeeded(201)
        .entry_id();
    let not_reinspected = find(&repaired.body["result"]["opened"], "not_reinspected");
    let signed_before = fleet.entry(returning(&[
        release(&worn, "repaired", &repair, &inspection),
        release(&not_reinspected, "reinspected", &repair, &inspection),
    ]));
    let refused = fleet
        .return_to_service(&fleet.lead, &clamp, signed_before.clone())
        .await;
    assert_eq!(refused.unmet(), ["repairer_not_competent"]);
    // Recorded today for the day of the repair: by itself it frees nothing. Sent again, the return is signed anew, and
    // counts as of now whatever time it tells.
    fleet
        .competent(
            &newcomer,
            "repair_technician",
            json!({"valid_from": "2025-01-01"}),
        )
        .await;
    assert_eq!(fleet.reasons(&clamp).await, ["tagged_out"]);
    let signed_now = fleet
        .return_to_service(&fleet.lead, &clamp, signed_before)
        .await
        .succeeded(201);
    let history = fleet.history(&fleet.keeper, &clamp).await.succeeded(200);
    assert_eq!(history.body["items"][0]["entry_id"], signed_now.entry_id());
    assert_eq!(
        history.body["items"][0]["counted_at"],
        history.body["items"][0]["recorded_at"]
    );
    assert_eq!(fleet.reasons(&clamp).await, [""; 0]);
    fleet.stop().await;
}

#[actix_web::test]
async fn a_return_is_signed_by_a_qualified_lead_who_neither_repaired_nor_takes_the_clamp_out() {
    let fleet = Fleet::start().await;
    let learner = fleet
        .person("Una Lie", &["yard_lead"], &json!([fleet.newport]))
        .await;
    let both = fleet
        .person("Ivo Berg", &["yard_lead", "technician"], &json!([fleet.newport]))
        .await;
    fleet.competent(&both, "qualified_person", json!({})).await;
    fleet.competent(&both, "repair_technician", json!({})).await;
    let clamp = fleet.fit_clamp("1").await;
    fleet
        .issue(&fleet.keeper, &clamp, json!({"issued_to": fleet.lead.id}))
        .await
        .succeeded(201);
    let repaired = fleet
        .repair(&both, &clamp, repair("spring", &[]))
        .await
        .succeeded(201);
    let (repair, lockout) = (
        repaired.entry_id(),
        find(&repaired.body["result"]["opened"], "not_reinspected"),
    );
    let inspection = fleet
        .inspect(&fleet.inspector, &clamp, after_repair(&repair))
        .await
        .succeeded(201)
        .entry_id();
    let back = returning(&[release(&lockout, "reinspected", &repair, &inspection)]);
    for (signer, unmet) in [
        (&learner, "signer_not_qualified"),
        (&both, "signer_made_repair"),
        (&fleet.lead, "signer_takes_clamp"),
    ] {
        let refused = fleet.return_to_service(signer, &clamp, back.clone()).await;
        assert_eq!(refused.unmet(), [unmet]);
    }
    fleet
        .return_to_service(&fleet.inspector, &clamp, back.clone())
        .await
        .refused(403, "not-allowed");
    fleet
        .return_to_service(&fleet.safety, &clamp, back)
        .await
        .succeeded(201);
    fleet.stop().await;
}
