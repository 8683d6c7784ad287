//! Lock-outs without a part to renew: entered in error, held, unaccounted for, rating or identity in doubt.

use super::bodies::*;
use super::entries::opened;
use super::fleet::{Fleet, kg, with};
use serde_json::json;

#[actix_web::test]
async fn a_lockout_entered_in_error_closes_only_when_a_second_person_confirms_the_return() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let tagged = fleet
        .tag_out(&fleet.operator, &clamp, tag_out("dropped"))
        .await
        .succeeded(201);
    let lockout = opened(&tagged, "dropped");
    let wrong = amendment(
        &tagged.entry_id(),
        "entered_in_error",
        json!("It was the clamp beside it"),
    );
    let by_lead = fleet.amend(&fleet.lead, &clamp, wrong.clone()).await;
    by_lead.refused(409, "state-conflict");
    let correction = fleet
        .amend(&fleet.safety, &clamp, wrong)
        .await
        .succeeded(201)
        .entry_id();
    let naming = with(accepted("frequent"), &json!({"lockouts": [lockout]}));
    let inspection = fleet
        .inspect(&fleet.inspector, &clamp, naming)
        .await
        .succeeded(201)
        .entry_id();
    let back = returning(&[json!({"lockout_id": lockout, "ground": "entered_in_error",
        "correction_entry": correction, "inspection_entry": inspection})]);
    assert_eq!(
        fleet
            .return_to_service(&fleet.lead, &clamp, back.clone())
            .await
            .unmet(),
        ["signer_role"]
    );
    let returned = fleet
        .return_to_service(&fleet.safety, &clamp, back)
        .await
        .succeeded(201);
    assert_eq!(
        returned.remarks(),
        ["release_not_supported_yet", "still_tagged_out"]
    );
    assert_eq!(fleet.reasons(&clamp).await, ["tagged_out"]);

    let entry = returned.entry_id();
    fleet
        .confirm_return(&fleet.safety, &clamp, &entry)
        .await
        .refused(409, "state-conflict");
    fleet
        .confirm_return(&fleet.inspector, &clamp, &entry)
        .await
        .refused(403, "not-allowed");
    fleet.confirm_return(&fleet.lead, &clamp, &correction).await;
    assert_eq!(
        fleet.reasons(&clamp).await,
        ["tagged_out"],
        "the return is to be confirmed, nothing else"
    );
    let confirmed = fleet
        .confirm_return(&fleet.lead, &clamp, &entry)
        .await
        .succeeded(201);
    assert_eq!(confirmed.body["result"]["closed"], json!([lockout]));
    assert_eq!(fleet.reasons(&clamp).await, [""; 0]);
    fleet.stop().await;
}

#[actix_web::test]
async fn an_incident_hold_is_ended_in_writing_by_safety_before_anybody_takes_the_clamp_apart() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let held = fleet
        .tag_out(&fleet.lead, &clamp, tag_out("incident_hold"))
        .await
        .succeeded(201);
    let lockout = opened(&held, "incident_hold");
    let inspect = async || {
        fleet
            .inspect(&fleet.inspector, &clamp, exceptional("shock", &lockout))
            .await
            .succeeded(201)
            .entry_id()
    };
    let too_early = inspect().await;
    let back = returning(&[inspected_fit(&lockout, &too_early)]);
    assert_eq!(
        fleet.return_to_service(&fleet.lead, &clamp, back).await.unmet(),
        ["correction_missing"]
    );
    let ended = amendment(
        &held.entry_id(),
        "incident_hold_ended",
        json!("Evidence taken, file closed"),
    );
    fleet
        .amend(&fleet.lead, &clamp, ended.clone())
        .await
        .refused(409, "state-conflict");
    let ended = fleet
        .amend(&fleet.safety, &clamp, ended)
        .await
        .succeeded(201)
        .entry_id();
    let citing = |inspection: &str| {
        returning(&[with(
            inspected_fit(&lockout, inspection),
            &json!({"correction_entry": ended}),
        )])
    };
    let refused = fleet
        .return_to_service(&fleet.lead, &clamp, citing(&too_early))
        .await;
    assert_eq!(refused.unmet(), ["inspection_too_early"]);
    let after = inspect().await;
    fleet
        .return_to_service(&fleet.lead, &clamp, citing(&after))
        .await
        .succeeded(201);
    assert_eq!(fleet.reasons(&clamp).await, [""; 0]);
    fleet.stop().await;
}

#[actix_web::test]
async fn a_clamp_that_was_unaccounted_for_comes_back_only_once_its_finding_is_recorded() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let lost = fleet
        .tag_out(&fleet.keeper, &clamp, tag_out("unaccounted_for"))
        .await
        .succeeded(201);
    let lockout = opened(&lost, "unaccounted_for");
    let inspect = async || {
        let again = exceptional("found_again", &lockout);
        fleet
            .inspect(&fleet.inspector, &clamp, again)
            .await
            .succeeded(201)
            .entry_id()
    };
    let before = inspect().await;
    let back = returning(&[inspected_fit(&lockout, &before)]);
    assert_eq!(
        fleet.return_to_service(&fleet.lead, &clamp, back).await.unmet(),
        ["correction_missing"]
    );
    let found = amendment(
        &lost.entry_id(),
        "found",
        json!("Nils Aas, hull 12, under plates, 14 March 5 am"),
    );
    let found = fleet
        .amend(&fleet.inspector, &clamp, found)
        .await
        .succeeded(201)
        .entry_id();
    let citing = |inspection: &str| {
        returning(&[with(
            inspected_fit(&lockout, inspection),
            &json!({"correction_entry": found}),
        )])
    };
    let refused = fleet
        .return_to_service(&fleet.lead, &clamp, citing(&before))
        .await;
    assert_eq!(refused.unmet(), ["inspection_too_early"]);
    let after = inspect().await;
    fleet
        .return_to_service(&fleet.lead, &clamp, citing(&after))
        .await
        .succeeded(201);
    assert_eq!(fleet.reasons(&clamp).await, [""; 0]);
    fleet.stop().await;
}

#[actix_web::test]
async fn a_plate_that_disagrees_with_the_model_bars_until_a_qualified_person_shows_the_makers_document() {
    let fleet = Fleet::start().await;
    let id = fleet.new_id();
    let registration = with(fleet.registration(&id, "1"), &json!({"wll": kg("2000")}));
    let registered = fleet.register(&fleet.lead, registration).await.succeeded(201);
    let lockout = opened(&registered, "rating_in_doubt");
    fleet
        .inspect(&fleet.inspector, &id, accepted("initial"))
        .await
        .succeeded(201);
    assert_eq!(fleet.reasons(&id).await, ["tagged_out"]);
    let settling = amendment(&registered.entry_id(), "wll", kg("3000"));
    let bare = fleet
        .amend(&fleet.inspector, &id, settling.clone())
        .await
        .succeeded(201);
    let citing = |lockout: &str, correction: &str| json!({"lockout_id": lockout, "ground": "inspected_fit", "correction_entry": correction});
    let alone = |correction: &str| returning(&[citing(&lockout, correction)]);
    let refused = fleet
        .return_to_service(&fleet.lead, &id, alone(&bare.entry_id()))
        .await;
    // Another figure without proof is a doubt of its own.
    assert_eq!(refused.unmet(), ["correction_document", "lockout_not_named"]);
    let document = json!({"document": "Ostvik Klammer, certificate 3021"});
    let unqualified = fleet
        .person("Una Lie", &["inspector"], &json!([fleet.newport]))
        .await;
    let by_unqualified = fleet
        .amend(&unqualified, &id, with(settling, &document))
        .await
        .succeeded(201);
    let refused = fleet
        .return_to_service(&fleet.lead, &id, alone(&by_unqualified.entry_id()))
        .await;
    assert_eq!(refused.unmet(), ["correction_author", "lockout_not_named"]);
    let mut releases = Vec::new();
    for doubted in [&registered, &bare, &by_unqualified] {
        let settling = amendment(&doubted.entry_id(), "wll", kg("3000"));
        let settled = fleet
            .amend(&fleet.inspector, &id, with(settling, &document))
            .await
            .succeeded(201)
            .entry_id();
        releases.push(citing(&opened(doubted, "rating_in_doubt"), &settled));
    }
    fleet
        .return_to_service(&fleet.lead, &id, returning(&releases))
        .await
        .succeeded(201);
    assert_eq!(fleet.reasons(&id).await, [""; 0]);
    let view = fleet.clamp(&fleet.keeper, &id).await.succeeded(200);
    assert_eq!(view.body["wll"], kg("3000"));
    fleet.stop().await;
}

#[actix_web::test]
async fn a_clamp_without_a_readable_number_is_barred_until_a_qualified_person_identifies_it() {
    let fleet = Fleet::start().await;
    fleet.fit_clamp("77").await;
    let id = fleet.new_id();
    let unreadable = with(fleet.registration(&id, "1"), &json!({"serial_number": null}));
    let registered = fleet.register(&fleet.lead, unreadable).await.succeeded(201);
    let lockout = opened(&registered, "identity_in_doubt");
    fleet
        .inspect(&fleet.inspector, &id, accepted("initial"))
        .await
        .succeeded(201);
    assert_eq!(fleet.open_lockouts(&id).await, ["identity_in_doubt"]);
    let number = |text: &str| {
        let document = json!({"document": "photo of the plate after cleaning"});
        with(
            amendment(&registered.entry_id(), "serial_number", json!(text)),
            &document,
        )
    };
    fleet
        .amend(&fleet.inspector, &id, number("77"))
        .await
        .refused(409, "number-taken");
    let settled = fleet
        .amend(&fleet.inspector, &id, number("78"))
        .await
        .succeeded(201)
        .entry_id();
    assert_eq!(
        fleet.reasons(&id).await,
        ["tagged_out"],
        "an amendment alone frees nothing"
    );
    let back =
        returning(&[json!({"lockout_id": lockout, "ground": "inspected_fit", "correction_entry": settled})]);
    fleet
        .return_to_service(&fleet.lead, &id, back)
        .await
        .succeeded(201);
    assert_eq!(fleet.reasons(&id).await, [""; 0]);
    assert_eq!(
        fleet.clamp(&fleet.keeper, &id).await.succeeded(200).body["serial_number"],
        "78"
    );
    fleet.stop().await;
}
