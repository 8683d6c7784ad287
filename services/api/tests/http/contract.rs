//! The published contract is whole: every operation says who may call it, what it answers and what can go wrong.

use clampward_api::openapi::{self, PERMISSION, PROBLEMS, PUBLIC};
use clampward_api::permission::TABLE;
use clampward_wire::problem;
use serde_json::Value;
use std::collections::BTreeSet;

#[test]
fn the_contract_reads_the_same_every_time() {
    // Otherwise a comparison with the committed file would fail by chance.
    let first = openapi::text().unwrap();
    for _ in 0..5 {
        assert!(openapi::text().unwrap() == first);
    }
    assert!(first.contains("x-permission"));
}

#[test]
fn every_operation_names_its_permission_and_known_problems() {
    let document = openapi::document();
    let mut names = BTreeSet::new();
    for (path, item) in &document.paths.paths {
        for (method, operation) in openapi::operations(item) {
            let here = format!("{method} {path}");
            let extensions = operation
                .extensions
                .as_ref()
                .unwrap_or_else(|| panic!("{here} names no permission"));
            let permission = extensions
                .get(PERMISSION)
                .and_then(Value::as_str)
                .unwrap_or_default();
            assert!(
                permission == PUBLIC || TABLE.iter().any(|row| row.name == permission),
                "{here}: {permission}"
            );
            let own = extensions
                .get(PROBLEMS)
                .and_then(Value::as_array)
                .cloned()
                .unwrap_or_default();
            for code in own {
                let code = code.as_str().unwrap_or_default();
                assert!(
                    problem::kind(code).is_some(),
                    "{here}: {code} is not in the table"
                );
            }
            let name = operation.operation_id.clone().unwrap_or_default();
            assert!(names.insert(name.clone()), "{here}: {name} twice");
            assert!(
                operation.summary.as_ref().is_some_and(|text| !text.is_empty()),
                "{here} has no summary"
            );
            assert!(
                operation.tags.as_ref().is_some_and(|tags| tags.len() == 1),
                "{here} has no tag"
            );
            for status in operation.responses.responses.keys() {
                let response = openapi::response(&document, operation, status)
                    .unwrap_or_else(|| panic!("{here}: {status} leads nowhere"));
                assert!(
                    !response.description.is_empty(),
                    "{here}: {status} has no description"
                );
            }
        }
    }
    assert!(names.len() >= 24, "{names:?}");
}

#[test]
fn the_problems_of_an_operation_are_those_of_its_answers_and_bear_their_status() {
    let document = openapi::document();
    for (path, item) in &document.paths.paths {
        for (method, operation) in openapi::operations(item) {
            let extensions = operation.extensions.as_ref().expect("extensions");
            let listed: BTreeSet<(u16, &str)> = extensions[PROBLEMS]
                .as_array()
                .into_iter()
                .flatten()
                .filter_map(|code| problem::kind(code.as_str()?))
                .map(|kind| (kind.status, kind.code))
                .collect();
            let mut answered = BTreeSet::new();
            for status in operation.responses.responses.keys() {
                let response = openapi::response(&document, operation, status).expect("a response");
                let number: u16 = status.parse().expect("a status");
                // Codes stand between backticks.
                for code in response.description.split('`').skip(1).step_by(2) {
                    if number >= 400 {
                        answered.insert((number, code));
                    }
                }
            }
            assert_eq!(listed, answered, "{method} {path}");
        }
    }
}

#[test]
fn a_list_of_words_in_the_contract_has_the_words_that_stand_in_json() {
    let document = openapi::published().expect("JSON");
    for (name, words) in [
        (
            "Status",
            clampward_domain::words::Status::ALL
                .iter()
                .map(|word| word.code())
                .collect::<Vec<_>>(),
        ),
        (
            "Role",
            clampward_domain::words::Role::ALL
                .iter()
                .map(|word| word.code())
                .collect(),
        ),
        (
            "FindingOutcome",
            clampward_domain::words::Outcome::ALL
                .iter()
                .map(|word| word.code())
                .collect(),
        ),
        (
            "FitnessReason",
            clampward_domain::words::FitnessReason::ALL
                .iter()
                .map(|word| word.code())
                .collect(),
        ),
    ] {
        let schema = &document["components"]["schemas"][name];
        assert_eq!(schema["enum"], Value::from(words.clone()), "{name}");
        for word in words {
            let said = schema["description"]
                .as_str()
                .is_some_and(|text| text.contains(&format!("- `{word}`: ")));
            assert!(said, "{name}: {word} is not explained");
        }
    }
}

#[test]
fn every_reference_in_the_contract_leads_somewhere() {
    let document = openapi::published().expect("JSON");
    let mut found = Vec::new();
    references(&document, &mut found);
    assert!(found.len() > 50);
    for reference in found {
        let pointer = reference.strip_prefix('#').unwrap_or_default();
        assert!(document.pointer(pointer).is_some(), "{reference} leads nowhere");
    }
}

fn references(value: &Value, found: &mut Vec<String>) {
    match value {
        Value::Object(fields) => {
            if let Some(Value::String(reference)) = fields.get("$ref") {
                found.push(reference.clone());
            }
            fields.values().for_each(|value| references(value, found));
        }
        Value::Array(items) => items.iter().for_each(|value| references(value, found)),
        _ => {}
    }
}
