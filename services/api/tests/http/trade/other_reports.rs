//! Reports beside the ERP's counts: what falls due, how old lock-outs are, the fleet, rejections.
//!
//! Method: every clamp is asked one by one, as the caller sees it, and counted here; the reports have to say the same.

use super::fleet::Fleet;
use super::reports::strings;
use jiff::Timestamp;
use serde_json::Value;
use std::collections::BTreeMap;

type Counted = BTreeMap<Vec<String>, Vec<u64>>;

fn text(value: &Value) -> String {
    match value {
        Value::String(text) => text.clone(),
        other => other.to_string(),
    }
}

/// A report's items by their keys, each with its numbers.
fn items(report: &Value, keys: &[&str], numbers: &[&str]) -> Counted {
    let mut counted = Counted::new();
    for item in report["items"].as_array().expect("items") {
        let key = keys
            .iter()
            .map(|key| text(item.pointer(key).unwrap_or(&Value::Null)))
            .collect();
        let numbers = numbers
            .iter()
            .map(|number| {
                item[number]
                    .as_u64()
                    .unwrap_or_else(|| panic!("{number} in {item}"))
            })
            .collect();
        assert_eq!(counted.insert(key, numbers), None, "{item} twice");
    }
    counted
}

fn add(counted: &mut Counted, key: Vec<String>, numbers: &[u64]) {
    let so_far = counted.entry(key).or_insert_with(|| vec![0; numbers.len()]);
    for (sum, number) in so_far.iter_mut().zip(numbers) {
        *sum += number;
    }
}

#[actix_web::test]
async fn what_is_due_the_ages_and_the_fleet_are_those_of_asking_every_clamp_one_by_one() {
    let fleet = Fleet::start().await;
    let clamps = fleet.varied().await;
    let now = fleet.now();
    let until = "2025-06-30";
    let all = vec![
        fleet.newport.clone(),
        fleet.galveston.clone(),
        fleet.clydebank.clone(),
    ];
    let (mut soon, mut old) = (0, 0);
    for (who, yards) in [
        (&fleet.safety, all),
        (&fleet.stranger, vec![fleet.clydebank.clone()]),
    ] {
        let (mut due, mut ages, mut parts) = (Counted::new(), Counted::new(), Counted::new());
        let (mut live, mut barred) = (0, 0);
        for clamp in &clamps {
            let reply = fleet.clamp(who, clamp).await;
            if reply.status == 404 {
                continue;
            }
            let view = reply.succeeded(200).body;
            if view["status"] == "retired" {
                continue;
            }
            live += 1;
            let is_barred = view["status"] == "tagged_out";
            barred += u64::from(is_barred);
            let is_fit = view["fitness"]["fit"] == true;
            let here: Vec<String> = strings(&view["yards"])
                .into_iter()
                .filter(|yard| yards.contains(yard))
                .collect();
            for yard in here {
                let model = text(&view["model_id"]);
                add(&mut parts, vec![yard.clone(), model], &[1, u64::from(is_fit)]);
                for inspection in ["frequent", "periodic"] {
                    let on = &view["due"][inspection]["on"];
                    if on.as_str().is_some_and(|on| on <= until) {
                        let key = vec![yard.clone(), inspection.to_owned(), text(on)];
                        add(&mut due, key, &[1, u64::from(is_barred)]);
                    }
                }
                let mut named = Vec::new();
                for lockout in view["open_lockouts"].as_array().expect("lock-outs") {
                    let from: Timestamp = text(&lockout["bars_from"]).parse().expect("a time");
                    if from > now {
                        continue;
                    }
                    let what = if lockout["criterion"].is_string() {
                        text(&lockout["criterion"])
                    } else {
                        text(&lockout["reason"])
                    };
                    let seconds = now.duration_since(from).as_secs();
                    let over = [90_i64, 30, 14, 7]
                        .into_iter()
                        .find(|days| seconds > days * 86_400)
                        .unwrap_or(0);
                    let key = vec![yard.clone(), what, over.to_string()];
                    let first = !named.contains(&key);
                    named.push(key.clone());
                    add(&mut ages, key, &[1, u64::from(first)]);
                }
            }
        }
        let report = async |path: &str| fleet.get(who, path).await.succeeded(200).body;
        let said = report(&format!("/v1/reports/inspections-due?until={until}")).await;
        soon += due.len();
        assert_eq!(
            items(
                &said,
                &["/yard/id", "/inspection", "/due_on"],
                &["clamps", "barred"]
            ),
            due
        );
        for item in said["items"].as_array().expect("items") {
            let is_over = item["due_on"].as_str().expect("a day") < "2025-05-02";
            assert_eq!(item["overdue"], is_over, "{item}");
        }
        let said = report("/v1/reports/lock-out-ageing").await;
        old += ages.keys().filter(|key| key[2] != "0").count();
        assert_eq!(
            items(
                &said,
                &["/yard/id", "/reason", "/over_days"],
                &["lockouts", "clamps"]
            ),
            ages
        );
        assert_eq!(said["total_clamps"], barred);
        let said = report("/v1/reports/fleet").await;
        assert_eq!(
            items(&said, &["/yard/id", "/model/id"], &["clamps", "fit"]),
            parts
        );
        assert_eq!(said["total_clamps"]["clamps"], live);
        let table = fleet
            .app
            .call("GET", "/v1/reports/fleet")
            .token(&fleet.token(who))
            .header("Accept", "text/csv")
            .send()
            .await;
        let lines = String::from_utf8(table.bytes).expect("a table").lines().count();
        assert_eq!(lines, parts.len() + 2);
    }
    assert!(soon > 0 && old > 0);
}

#[actix_web::test]
async fn rejections_are_the_findings_of_the_histories_most_frequent_first() {
    let fleet = Fleet::start().await;
    let clamps = fleet.varied().await;
    let mut found: BTreeMap<String, u64> = BTreeMap::new();
    for clamp in &clamps {
        let history = fleet.history(&fleet.safety, clamp).await.succeeded(200).body;
        for entry in history["items"].as_array().expect("entries") {
            for lockout in entry["result"]["opened"].as_array().into_iter().flatten() {
                if let Some(criterion) = lockout["criterion"].as_str() {
                    *found.entry(criterion.to_owned()).or_default() += 1;
                }
            }
        }
    }
    assert!(found.len() > 1, "{found:?}");
    let path = "/v1/reports/rejections?from=2025-01-01&until=2025-12-31";
    let said = fleet.get(&fleet.safety, path).await.succeeded(200).body;
    let counted: BTreeMap<String, u64> = items(&said, &["/criterion"], &["rejections"])
        .into_iter()
        .map(|(key, numbers)| (key[0].clone(), numbers[0]))
        .collect();
    assert_eq!(counted, found);
    assert_eq!(said["total_rejections"], found.values().sum::<u64>());
    let numbers: Vec<u64> = said["items"]
        .as_array()
        .expect("items")
        .iter()
        .map(|item| item["rejections"].as_u64().expect("a number"))
        .collect();
    assert!(numbers.is_sorted_by(|a, b| a >= b), "{numbers:?}");
    let last = said["items"].as_array().and_then(|items| items.last());
    assert_eq!(last.expect("one")["cumulative_percent"], "100.0");
    // Before anything was found.
    let path = "/v1/reports/rejections?from=2024-01-01&until=2024-12-31&group_by=maker";
    let said = fleet.get(&fleet.safety, path).await.succeeded(200).body;
    assert_eq!(said["items"], serde_json::json!([]));
    assert_eq!(said["total_rejections"], 0);
}
