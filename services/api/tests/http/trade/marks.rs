//! Scanned marks: one live bearer in the whole company, or no.

use super::fleet::{Fleet, Person, with};
use crate::support::Reply;
use serde_json::{Value, json};

async fn marked(fleet: &Fleet, by: &Person, number: &str, mark: &str, more: Value) -> String {
    let id = fleet.new_id();
    let registration = with(fleet.registration(&id, number), &json!({ "asset_mark": mark }));
    fleet.register(by, with(registration, &more)).await.succeeded(201);
    id
}

fn ids(reply: &Reply, list: &str) -> Vec<String> {
    let items = reply.body[list].as_array().cloned().unwrap_or_default();
    let mut ids: Vec<String> = items
        .iter()
        .filter_map(|item| item["clamp_id"].as_str().map(str::to_owned))
        .collect();
    ids.sort();
    ids
}

#[actix_web::test]
async fn marks_that_only_look_alike_are_listed_and_never_taken_for_each_other() {
    let fleet = Fleet::start().await;
    let meant = marked(&fleet, &fleet.lead, "1", "PEL-0051", json!({})).await;
    let alike = marked(&fleet, &fleet.lead, "2", "PEL-OOSI", json!({})).await;
    fleet
        .inspect(&fleet.inspector, &meant, super::bodies::accepted("initial"))
        .await
        .succeeded(201);
    for scanned in ["PEL-0051", "pel 0051", "PEL0051"] {
        let fitness = fleet.fitness_of_mark(&fleet.keeper, scanned).await.succeeded(200);
        assert_eq!(fitness.body["fit"], true, "{scanned}");
        assert_eq!(ids(&fitness, "bearers"), [meant.as_str()]);
        assert_eq!(ids(&fitness, "look_alikes"), [alike.as_str()]);
    }
    let other = fleet
        .fitness_of_mark(&fleet.keeper, "PEL-OOSI")
        .await
        .succeeded(200);
    assert_eq!(other.body["fit"], false, "it awaits its own inspection");
    assert_eq!(ids(&other, "look_alikes"), [meant.as_str()]);
    // Borne by nobody: nothing is guessed; the list shows both candidates.
    fleet
        .fitness_of_mark(&fleet.keeper, "PEL-00S1")
        .await
        .refused(404, "not-found");
    let found = fleet
        .get(&fleet.keeper, "/v1/clamps?mark=PEL-00S1")
        .await
        .succeeded(200);
    assert_eq!(found.body["items"].as_array().map(Vec::len), Some(2));
    fleet.stop().await;
}

#[actix_web::test]
async fn a_mark_borne_by_two_live_clamps_is_ambiguous_and_by_one_scrapped_one_is_not() {
    let fleet = Fleet::start().await;
    let first = marked(&fleet, &fleet.lead, "1", "PEL-006", json!({})).await;
    fleet
        .inspect(&fleet.inspector, &first, super::bodies::accepted("initial"))
        .await
        .succeeded(201);
    let second = marked(&fleet, &fleet.lead, "2", "pel 006", json!({})).await;
    let fitness = fleet
        .fitness_of_mark(&fleet.keeper, "PEL-006")
        .await
        .succeeded(200);
    assert_eq!(
        (&fitness.body["fit"], &fitness.body["fit_until"]),
        (&json!(false), &Value::Null)
    );
    assert_eq!(fitness.body["reasons"][0]["code"], "ambiguous_mark");
    assert_eq!(ids(&fitness, "bearers"), [first.as_str(), second.as_str()]);
    assert_eq!(
        fleet.reasons(&first).await,
        [""; 0],
        "asked about by itself it is fit"
    );
    fleet
        .retire(&fleet.lead, &second, json!({"reason": "worn out"}))
        .await
        .succeeded(201);
    let fitness = fleet
        .fitness_of_mark(&fleet.keeper, "PEL-006")
        .await
        .succeeded(200);
    assert_eq!(fitness.body["fit"], true);
    fleet.stop().await;
}

#[actix_web::test]
async fn a_mark_borne_by_a_clamp_of_somebody_elses_yard_is_ambiguous_and_that_clamp_is_not_shown() {
    let fleet = Fleet::start().await;
    let own = marked(&fleet, &fleet.lead, "1", "PEL-006", json!({})).await;
    fleet
        .inspect(&fleet.inspector, &own, super::bodies::accepted("initial"))
        .await
        .succeeded(201);
    let at_clydebank = json!({"yard_id": fleet.clydebank});
    let theirs = marked(&fleet, &fleet.stranger, "2", "PEL-006", at_clydebank).await;
    let fitness = fleet
        .fitness_of_mark(&fleet.keeper, "PEL-006")
        .await
        .succeeded(200);
    assert_eq!(fitness.body["fit"], false);
    assert_eq!(fitness.body["reasons"][0]["code"], "ambiguous_mark");
    assert_eq!(ids(&fitness, "bearers"), [own.as_str()]);
    assert!(!fitness.body.to_string().contains(&theirs));
    let look_alike = fleet.fitness_of_mark(&fleet.keeper, "PEL-OO6").await;
    look_alike.refused(404, "not-found");
    let whole = fleet
        .fitness_of_mark(&fleet.safety, "PEL-006")
        .await
        .succeeded(200);
    assert_eq!(ids(&whole, "bearers"), [own.as_str(), theirs.as_str()]);
    fleet.stop().await;
}
