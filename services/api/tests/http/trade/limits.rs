//! Limits to the kilogram and to the second.

use super::bodies::*;
use super::entries::{find, opened};
use super::fleet::{Fleet, kg, with};
use serde_json::{Value, json};

fn passed(load: &str) -> Value {
    json!({"load": kg(load), "result": "passed", "certificate_number": "PT 88"})
}

// Source: ASME B30.20-2013, 20-1.3.8.2: not more than 125 % of the rated load unless the maker says otherwise.
#[actix_web::test]
async fn a_proof_test_over_125_percent_without_the_makers_figure_bars_the_clamp() {
    let fleet = Fleet::start().await;
    // WLL 3,000 kg: 124.9 %, 125.0 %, 125.1 %.
    for (number, load, barred) in [("1", "3747", false), ("2", "3750", false), ("3", "3753", true)] {
        let clamp = fleet.fit_clamp(number).await;
        let tested = fleet
            .proof_test(&fleet.technician, &clamp, passed(load))
            .await
            .succeeded(201);
        assert_eq!(
            fleet.reasons(&clamp).await.contains(&"tagged_out".to_owned()),
            barred,
            "{load}"
        );
        if barred {
            opened(&tested, "proof_test_over_limit");
        }
    }
    let clamp = fleet.fit_clamp("4").await;
    let allowed = with(
        passed("3753"),
        &json!({"maker_document": "Ostvik Klammer, manual, section 9"}),
    );
    fleet
        .proof_test(&fleet.technician, &clamp, allowed)
        .await
        .succeeded(201);
    assert_eq!(fleet.reasons(&clamp).await, [""; 0]);
    let failed = with(passed("3000"), &json!({"result": "failed"}));
    let failed = fleet
        .proof_test(&fleet.technician, &clamp, failed)
        .await
        .succeeded(201);
    opened(&failed, "proof_test_failed");
    fleet.stop().await;
}

// Source: the same: the rating is at most 80 % of the test load, so the load is at least 125 %.
#[actix_web::test]
async fn where_a_proof_test_is_demanded_it_takes_125_percent_between_repair_and_inspection() {
    let fleet = Fleet::start().await;
    let id = fleet.new_id();
    let at_galveston = with(fleet.registration(&id, "1"), &json!({"yard_id": fleet.galveston}));
    fleet.register(&fleet.lead, at_galveston).await.succeeded(201);
    fleet
        .inspect(&fleet.inspector, &id, accepted("initial"))
        .await
        .succeeded(201);
    let worn = fleet.reject(&id, "shackle_eye_worn").await;
    let repaired = fleet
        .repair(&fleet.technician, &id, repair("shackle", &[&worn]))
        .await
        .succeeded(201);
    let (repair, not_reinspected) = (
        repaired.entry_id(),
        find(&repaired.body["result"]["opened"], "not_reinspected"),
    );
    let inspect = async || {
        fleet
            .inspect(&fleet.inspector, &id, after_repair(&repair))
            .await
            .succeeded(201)
            .entry_id()
    };
    let test = async |load: &str| {
        fleet
            .proof_test(&fleet.technician, &id, passed(load))
            .await
            .succeeded(201)
            .entry_id()
    };
    let back = async |inspection: &str, test: Option<&str>| {
        let tested = json!({ "proof_test_entry": test });
        let releases = [
            with(release(&worn, "repaired", &repair, inspection), &tested),
            with(
                release(&not_reinspected, "reinspected", &repair, inspection),
                &tested,
            ),
        ];
        fleet
            .return_to_service(&fleet.lead, &id, returning(&releases))
            .await
    };
    let first = inspect().await;
    assert_eq!(back(&first, None).await.unmet(), ["proof_test_missing"]);
    let too_little = test("3747").await;
    let second = inspect().await;
    assert_eq!(
        back(&second, Some(&too_little)).await.unmet(),
        ["proof_test_insufficient"]
    );
    let enough = test("3750").await;
    assert_eq!(back(&second, Some(&enough)).await.unmet(), ["proof_test_order"]);
    let third = inspect().await;
    back(&third, Some(&enough)).await.succeeded(201);
    assert_eq!(fleet.reasons(&id).await, [""; 0]);
    fleet.stop().await;
}

#[actix_web::test]
async fn fitness_is_never_revalidated_so_that_midnight_of_the_due_day_is_seen() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let paths = [
        format!("/v1/clamps/{clamp}/fitness"),
        "/v1/fitness?mark=HMW-1".to_owned(),
    ];
    // Due on 14 April: through that day at Newport.
    for (instant, fit) in [("2025-04-15T03:59:59Z", true), ("2025-04-15T04:00:00Z", false)] {
        fleet.at(instant);
        for path in &paths {
            for known in [None, Some("*"), Some("\"anything\"")] {
                let token = fleet.token(&fleet.keeper);
                let call = fleet.app.call("GET", path).token(&token);
                let call = match known {
                    Some(tag) => call.header("If-None-Match", tag),
                    None => call,
                };
                let reply = call.send().await.succeeded(200);
                assert_eq!(reply.body["fit"], fit, "{instant} {path}");
                assert_eq!(reply.header("etag"), None);
                assert_eq!(reply.header("cache-control"), Some("no-store"));
            }
        }
    }
    assert_eq!(fleet.reasons(&clamp).await, ["frequent_overdue"]);
    fleet.stop().await;
}
