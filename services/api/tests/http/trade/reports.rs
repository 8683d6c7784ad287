//! Counts over the fleet: what they count, and that they are what asking every clamp comes to.

use super::bodies::*;
use super::entries::opened;
use super::fleet::{Fleet, Person, kg, with};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};

const REPORT: &str = "/v1/reports/out-of-service";
const COLUMNS: [&str; 4] = ["tagged_out", "overdue", "awaiting_initial_inspection", "not_fit"];

/// Group by its keys, with the four columns.
type Counted = BTreeMap<Vec<String>, [u64; 4]>;

impl Fleet {
    async fn report(&self, by: &Person, query: &str) -> Value {
        self.get(by, &format!("{REPORT}?{query}"))
            .await
            .succeeded(200)
            .body
    }

    /// Clamps with a varied past; the clock stands at the end of it.
    pub(super) async fn varied(&self) -> Vec<String> {
        let fit = self.fit_clamp("1").await;
        let (twice, _) = self.rejected_clamp("2", "shackle_eye_worn").await;
        self.tag_out(&self.operator, &twice, tag_out("dropped"))
            .await
            .succeeded(201);
        let new = self.new_clamp("3").await;
        let british = self.british_clamp("4").await;
        let from_outside = self.fit_clamp("5").await;
        let retired = self.fit_clamp("6").await;
        let (repaired, lockout) = self.rejected_clamp("7", "shackle_eye_worn").await;
        let doubtful = self.new_id();
        let registered = self
            .register(&self.lead, self.registration(&doubtful, "8"))
            .await
            .succeeded(201)
            .entry_id();
        let rating = self.new_id();
        let other = json!({"model_id": self.other_maker, "wll": kg("900")});
        self.register(&self.lead, with(self.registration(&rating, "9"), &other))
            .await
            .succeeded(201);
        let special = self.fit_clamp("10").await;
        let dated = self.british_clamp("11").await;
        let wrong = self.fit_clamp("12").await;
        let moved = self.fit_clamp("13").await;
        let remade = self.fit_clamp("14").await;

        self.at("2025-03-20T23:30:00Z");
        self.tag_out(&self.stranger, &from_outside, tag_out("dropped"))
            .await
            .succeeded(201);
        let scrapped = json!({"reason": "cracked", "made_unusable": "cut through", "witness": "Eva Holt"});
        self.retire(&self.lead, &retired, scrapped).await.succeeded(201);
        self.classify(&self.safety, &special, json!({"service_class": "special"}))
            .await
            .succeeded(201);
        for yard in [&self.galveston, &self.clydebank] {
            let rival = json!({"to_yard": yard, "replaces": registered});
            self.transfer(&self.safety, &doubtful, rival).await.succeeded(201);
        }
        let done = self
            .repair_and_inspect(&repaired, repair("shackle", &[&lockout]))
            .await;
        let back = returning(&[
            release(&lockout, "repaired", &done.repair, &done.inspection),
            release(
                &done.not_reinspected,
                "reinspected",
                &done.repair,
                &done.inspection,
            ),
        ]);
        self.return_to_service(&self.lead, &repaired, back)
            .await
            .succeeded(201);
        let by_date = json!({"outcome": "reject", "grade": "danger_by", "by_date": "2025-04-10"});
        let examination = with(
            finding(accepted("periodic"), "pin_bent", by_date),
            &json!({"basis": "limb_i"}),
        );
        self.inspect(&self.stranger, &dated, examination)
            .await
            .succeeded(201);

        // Still the 20th in New York, no longer in London.
        self.at("2025-03-21T01:30:00Z");
        let late_that_day = self.new_clamp("15").await;

        self.at("2025-03-25T02:00:00Z");
        let tagged = self
            .tag_out(&self.operator, &wrong, tag_out("dropped"))
            .await
            .succeeded(201);
        let lockout = opened(&tagged, "dropped");
        self.at("2025-03-27T12:00:00Z");
        let amended = amendment(&tagged.entry_id(), "entered_in_error", json!("the one beside it"));
        let correction = self
            .amend(&self.safety, &wrong, amended)
            .await
            .succeeded(201)
            .entry_id();
        let naming = with(accepted("frequent"), &json!({"lockouts": [lockout]}));
        let inspection = self
            .inspect(&self.inspector, &wrong, naming)
            .await
            .succeeded(201)
            .entry_id();
        let back = returning(&[json!({"lockout_id": lockout, "ground": "entered_in_error",
            "correction_entry": correction, "inspection_entry": inspection})]);
        let returned = self
            .return_to_service(&self.safety, &wrong, back)
            .await
            .succeeded(201)
            .entry_id();
        self.at("2025-03-29T12:00:00Z");
        self.confirm_return(&self.lead, &wrong, &returned)
            .await
            .succeeded(201);
        self.transfer(&self.lead, &moved, json!({"to_yard": self.galveston}))
            .await
            .succeeded(201);
        let history = self.history(&self.lead, &remade).await.succeeded(200);
        let first = history.body["items"]
            .as_array()
            .and_then(|items| items.last())
            .and_then(|entry| entry["entry_id"].as_str())
            .expect("a registration")
            .to_owned();
        let model = with(
            amendment(&first, "model_id", json!(self.other_maker)),
            &json!({"document": "plate photo 7"}),
        );
        self.amend(&self.lead, &remade, model).await.succeeded(201);

        // What is told late belongs to its own time.
        self.at("2025-05-02T09:00:00Z");
        let late = with(
            tag_out("overload_suspected"),
            &json!({"performed_at": "2025-03-18T06:00:00Z"}),
        );
        self.tag_out(&self.operator, &moved, late).await;
        let late = with(
            accepted("frequent"),
            &json!({"performed_at": "2025-04-13T20:00:00Z"}),
        );
        self.inspect(&self.inspector, &fit, late).await.succeeded(201);
        vec![
            fit,
            twice,
            new,
            british,
            from_outside,
            retired,
            repaired,
            doubtful,
            rating,
            special,
            dated,
            wrong,
            moved,
            remade,
            late_that_day,
        ]
    }

    /// Every clamp at a time, asked one by one; those that were not there yet are left out.
    async fn ask_every_one(&self, clamps: &[String], as_of: &str) -> Vec<Value> {
        let query = if as_of.is_empty() {
            String::new()
        } else {
            format!("as_of={as_of}")
        };
        let mut views = Vec::new();
        for clamp in clamps {
            let reply = self.clamp_then(&self.safety, clamp, &query).await;
            if reply.status != 404 {
                views.push(reply.succeeded(200).body);
            }
        }
        views
    }
}

/// The counts that clamps come to. Only the yards in `scope` are seen.
fn by_asking(views: &[Value], keys: &[&str], scope: &[&String]) -> (Counted, [u64; 4]) {
    let mut counted = Counted::new();
    let mut total = [0; 4];
    for view in views {
        let yards: Vec<String> = strings(&view["yards"])
            .into_iter()
            .filter(|yard| scope.contains(&yard))
            .collect();
        let Some((column, reasons)) = how(view).filter(|_| !yards.is_empty()) else {
            continue;
        };
        total[column] += 1;
        let mut rows: Vec<Vec<String>> = vec![Vec::new()];
        for key in keys {
            let values: Vec<String> = match *key {
                "yard" => yards.clone(),
                "reason" => reasons.iter().cloned().collect(),
                "model" => vec![view["model_id"].as_str().expect("a model").to_owned()],
                _ => vec![band(&view["wll"]).to_owned()],
            };
            rows = rows
                .into_iter()
                .flat_map(|row| {
                    values.iter().map(move |value| {
                        let mut row = row.clone();
                        row.push(value.clone());
                        row
                    })
                })
                .collect();
        }
        if !keys.is_empty() {
            for row in rows {
                counted.entry(row).or_default()[column] += 1;
            }
        }
    }
    (counted, total)
}

pub(super) fn strings(list: &Value) -> Vec<String> {
    list.as_array()
        .into_iter()
        .flatten()
        .filter_map(|item| item.as_str().map(str::to_owned))
        .collect()
}

/// The column in which a clamp as it is shown counts, and why.
fn how(view: &Value) -> Option<(usize, BTreeSet<String>)> {
    let codes: BTreeSet<String> = view["fitness"]["reasons"]
        .as_array()?
        .iter()
        .filter_map(|reason| reason["code"].as_str().map(str::to_owned))
        .collect();
    match view["status"].as_str()? {
        // Named by the reasons: a lock-out that was closed later is no longer among the open ones.
        "tagged_out" => {
            let reasons = view["fitness"]["reasons"].as_array()?.iter();
            let what = reasons
                .filter(|reason| reason["code"] == "tagged_out")
                .map(|reason| {
                    let detail = reason["detail"].as_str().expect("a detail");
                    let told = detail.split(": ").nth(1).expect("what for");
                    let end = told.find(['.', '(']).expect("an end");
                    told[..end].trim().replace(' ', "_")
                });
            Some((0, what.collect()))
        }
        "awaiting_initial_inspection" => Some((2, codes)),
        "in_service" if codes.is_empty() => None,
        "in_service" if codes.iter().all(|code| code.ends_with("_overdue")) => Some((1, codes)),
        "in_service" => Some((3, codes)),
        _ => None,
    }
}

fn band(wll: &Value) -> &'static str {
    let kilograms: f64 = wll["value"]
        .as_str()
        .and_then(|value| value.parse().ok())
        .expect("a WLL");
    assert_eq!(wll["unit"], "kg");
    match kilograms {
        light if light <= 1000.0 => "up_to_1_t",
        light if light <= 3000.0 => "over_1_to_3_t",
        _ => "over_3_to_5_t",
    }
}

/// The groups of a report by their keys.
fn groups(report: &Value, keys: &[&str]) -> Counted {
    let mut counted = Counted::new();
    for item in report["items"].as_array().expect("items") {
        let key = keys
            .iter()
            .map(|key| {
                let value = match *key {
                    "reason" => &item["reason"],
                    "wll_band" => &item["wll_band"]["band"],
                    other => &item[other]["id"],
                };
                value
                    .as_str()
                    .unwrap_or_else(|| panic!("{key} in {item}"))
                    .to_owned()
            })
            .collect();
        assert_eq!(counted.insert(key, columns(item)), None, "{item} twice");
    }
    counted
}

fn columns(counts: &Value) -> [u64; 4] {
    COLUMNS.map(|column| {
        counts[column]
            .as_u64()
            .unwrap_or_else(|| panic!("{column} in {counts}"))
    })
}

#[actix_web::test]
async fn counts_at_any_time_are_those_of_asking_every_clamp_one_by_one() {
    let fleet = Fleet::start().await;
    let clamps = fleet.varied().await;
    let all = [&fleet.newport, &fleet.galveston, &fleet.clydebank];
    let american = [&fleet.newport, &fleet.galveston];
    let mut seen = [0; 4];
    for as_of in [
        "",
        "2025-03-14T08:59:59Z",
        "2025-03-14T09:20:00Z",
        "2025-03-18T06:00:00Z",
        "2025-03-20",
        "2025-03-21T00:00:00Z",
        "2025-03-24",
        "2025-03-27T11:59:59.999999Z",
        "2025-03-28T00:00:00Z",
        "2025-03-29",
        "2025-04-10",
        "2025-04-11T00:00:00Z",
        "2025-04-13",
        "2025-04-14",
        "2025-04-15T12:00:00Z",
        "2025-05-02",
        "2025-09-14",
        "2025-09-15",
        "2030-01-01",
    ] {
        let views = fleet.ask_every_one(&clamps, as_of).await;
        for keys in [
            vec![],
            vec!["yard"],
            vec!["reason"],
            vec!["model"],
            vec!["wll_band"],
            vec!["reason", "yard"],
            vec!["yard", "reason", "model", "wll_band"],
        ] {
            for (person, scope) in [(&fleet.safety, &all[..]), (&fleet.lead, &american[..])] {
                let mut query = format!("group_by={}", keys.join(","));
                if !as_of.is_empty() {
                    query.push_str(&format!("&as_of={as_of}"));
                }
                let report = fleet.report(person, &query).await;
                let (expected, total) = by_asking(&views, &keys, scope);
                assert_eq!(groups(&report, &keys), expected, "{query}");
                assert_eq!(columns(&report["total_clamps"]), total, "{query}");
                for (seen, number) in seen.iter_mut().zip(total) {
                    *seen += number;
                }
            }
        }
    }
    assert!(
        seen.iter().all(|number| *number > 0),
        "every column was tried: {seen:?}"
    );
    fleet.stop().await;
}

#[actix_web::test]
async fn a_clamp_with_two_lockouts_counts_under_each_reason_and_once_in_the_total() {
    let fleet = Fleet::start().await;
    let (clamp, _) = fleet.rejected_clamp("1", "shackle_eye_worn").await;
    fleet
        .tag_out(&fleet.operator, &clamp, tag_out("dropped"))
        .await
        .succeeded(201);
    let report = fleet.report(&fleet.safety, "group_by=reason").await;
    let reasons: Vec<&Value> = report["items"]
        .as_array()
        .expect("items")
        .iter()
        .map(|item| &item["reason"])
        .collect();
    assert_eq!(reasons, ["dropped", "shackle_eye_worn"]);
    assert_eq!(columns(&report["total_clamps"]), [1, 0, 0, 0]);
    assert_eq!(report["items_add_up"], false);
    let report = fleet.report(&fleet.safety, "group_by=yard").await;
    assert_eq!(report["items_add_up"], true);
    assert_eq!(report["items"][0]["yard"]["code"], "NPT");
    fleet.stop().await;
}

#[actix_web::test]
async fn a_clamp_is_overdue_in_the_count_when_its_day_is_over_without_anything_having_run() {
    let fleet = Fleet::start().await;
    fleet.fit_clamp("1").await;
    let count = async || columns(&fleet.report(&fleet.safety, "").await["total_clamps"]);
    // Inspected on 14 March, monthly: due on 14 April, which ends at 04:00Z in New York.
    fleet.at("2025-04-15T03:59:59Z");
    assert_eq!(count().await, [0, 0, 0, 0]);
    fleet.at("2025-04-15T04:00:00Z");
    assert_eq!(count().await, [0, 1, 0, 0]);
    fleet.stop().await;
}

#[actix_web::test]
async fn the_etag_holds_until_a_number_changes_and_the_headers_say_how_fresh_it_is() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    fleet.rejected_clamp("2", "pin_bent").await;
    let path = format!("{REPORT}?group_by=yard");
    let ask = async |tag: &str, accept: &str| {
        fleet
            .app
            .call("GET", &path)
            .token(&fleet.token(&fleet.safety))
            .header("If-None-Match", tag)
            .header("Accept", accept)
            .send()
            .await
    };
    let first = ask("\"none\"", "application/json").await.succeeded(200);
    // Something is recorded that changes no number.
    fleet
        .inspect(&fleet.inspector, &clamp, accepted("frequent"))
        .await
        .succeeded(201);
    let again = ask(first.etag(), "application/json").await;
    assert_eq!(again.status, 304);
    assert_eq!(again.etag(), first.etag());
    let position = |reply: &crate::support::Reply| -> u64 {
        let header = reply.header("clampward-position").expect("a position");
        header.parse().expect("a number")
    };
    assert_eq!(position(&again), position(&first) + 1);
    assert_ne!(
        again.header("clampward-generated-at"),
        first.header("clampward-generated-at")
    );
    assert_eq!(again.header("cache-control"), Some("private, no-cache"));
    let table = ask(first.etag(), "text/csv").await.succeeded(200);
    assert_ne!(table.etag(), first.etag(), "another form is another answer");
    assert_eq!(ask(table.etag(), "text/csv").await.status, 304);
    fleet
        .tag_out(&fleet.operator, &clamp, tag_out("dropped"))
        .await
        .succeeded(201);
    let changed = ask(first.etag(), "application/json").await.succeeded(200);
    assert_ne!(changed.etag(), first.etag());
    fleet.stop().await;
}

#[actix_web::test]
async fn the_table_has_a_row_per_group_and_the_total_last_and_runs_nothing() {
    let fleet = Fleet::start().await;
    let evil = fleet
        .yard(
            "EVL",
            "Europe/London",
            "gb-loler",
            json!({"name": "@SUM(A1), \"x\""}),
        )
        .await;
    let id = fleet.new_id();
    let there = with(fleet.registration(&id, "1"), &json!({"yard_id": evil}));
    fleet.register(&fleet.safety, there).await.succeeded(201);
    let (clamp, _) = fleet.rejected_clamp("2", "pin_bent").await;
    fleet
        .tag_out(&fleet.operator, &clamp, tag_out("dropped"))
        .await
        .succeeded(201);
    let table = fleet
        .app
        .call("GET", &format!("{REPORT}?group_by=yard,reason,wll_band"))
        .token(&fleet.token(&fleet.safety))
        .header("Accept", "text/csv")
        .send()
        .await
        .succeeded(200);
    assert_eq!(table.header("content-type"), Some("text/csv; charset=utf-8"));
    let text = String::from_utf8(table.bytes.clone()).expect("UTF-8");
    let newport = &fleet.newport;
    assert_eq!(
        text.split("\r\n").collect::<Vec<_>>(),
        [
            "row,yard_id,yard_code,yard_name,reason,wll_band,wll_above_t,wll_up_to_t,tagged_out,overdue,awaiting_initial_inspection,not_fit",
            &format!(
                "group,{evil},EVL,\"'@SUM(A1), \"\"x\"\"\",awaiting_initial_inspection,over_1_to_3_t,1,3,0,0,1,0"
            ),
            &format!("group,{newport},NPT,Yard NPT,dropped,over_1_to_3_t,1,3,1,0,0,0"),
            &format!("group,{newport},NPT,Yard NPT,pin_bent,over_1_to_3_t,1,3,1,0,0,0"),
            "total,,,,,,,,1,0,1,0",
            ""
        ]
    );
    fleet.stop().await;
}

#[actix_web::test]
async fn keys_are_read_with_commas_or_as_a_parameter_each() {
    let fleet = Fleet::start().await;
    fleet.rejected_clamp("1", "shackle_eye_worn").await;
    let commas = fleet
        .report(&fleet.safety, "group_by=yard,reason&as_of=2030-01-01")
        .await;
    for query in [
        "group_by=yard&as_of=2030-01-01&group_by=reason",
        "group_by=yard&group_by=reason,yard&as_of=2030-01-01",
    ] {
        assert_eq!(fleet.report(&fleet.safety, query).await, commas, "{query}");
    }
    assert_eq!(commas["group_by"], json!(["yard", "reason"]));
    fleet.stop().await;
}

#[actix_web::test]
async fn a_word_that_is_no_key_or_no_time_is_named() {
    let fleet = Fleet::start().await;
    for (query, pointer, code) in [
        ("group_by=yard,owner", "/group_by", "unknown-word"),
        ("group_by=yard&group_by=owner", "/group_by", "unknown-word"),
        ("as_of=yesterday", "/as_of", "not-a-time"),
        ("as_of=2025-02-30", "/as_of", "not-a-time"),
        ("known_at=2025-02-20T00:00:00Z", "/known_at", "unknown-field"),
    ] {
        let reply = fleet.get(&fleet.safety, &format!("{REPORT}?{query}")).await;
        reply.refused(400, "invalid-parameters").at(pointer, code);
    }
    fleet
        .get(&fleet.operator, REPORT)
        .await
        .refused(403, "not-allowed");
    fleet.stop().await;
}

#[actix_web::test]
async fn clamps_under_changed_reference_data_are_counted_anew_and_named_until_then() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let path = format!("/v1/yards/{}", fleet.newport);
    let yard = fleet.get(&fleet.safety, &path).await.succeeded(200);
    let token = fleet.token(&fleet.safety);
    let tighter = json!({"starts_on": "2025-03-20", "intervals": {"frequent": {"normal": "P1W"}}});
    fleet
        .app
        .patch(&token, &path, yard.etag(), &tighter)
        .await
        .succeeded(200);
    let waiting = fleet.report(&fleet.safety, "").await;
    assert_eq!(waiting["reassessing"], 1);
    fleet.app.reassess().await;
    // Weekly from 20 March on: inspected on the 14th, due on the 21st.
    for (as_of, expected) in [("2025-03-21", [0, 0, 0, 0]), ("2025-03-22", [0, 1, 0, 0])] {
        let report = fleet.report(&fleet.safety, &format!("as_of={as_of}")).await;
        assert_eq!(report["reassessing"], 0);
        assert_eq!(columns(&report["total_clamps"]), expected, "{as_of}");
        let views = fleet.ask_every_one(std::slice::from_ref(&clamp), as_of).await;
        let (_, asked) = by_asking(&views, &[], &[&fleet.newport]);
        assert_eq!(asked, expected, "{as_of}");
    }
    fleet.stop().await;
}
