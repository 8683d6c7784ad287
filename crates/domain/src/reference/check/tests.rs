//! What a yard or model may not say.

use super::*;
use serde_json::{Value, json};

fn yard(changes: Value) -> Vec<(String, &'static str)> {
    let mut base =
        json!({"code": "CLY", "name": "Clydebank", "time_zone": "Europe/London", "rule_set": "us-b30.20"});
    merge(&mut base, changes);
    faults(check_yard(&serde_json::from_value(base).expect("a yard")))
}
fn parsed_model(changes: Value) -> Model {
    let mut base = json!({
        "maker": "Ostvik Klammer", "model": "OK-3", "kind": "vertical", "wll": {"value": "3", "unit": "t"},
        "jaw_opening": {"min": {"value": "0", "unit": "mm"}, "max": {"value": "40", "unit": "mm"}},
    });
    merge(&mut base, changes);
    serde_json::from_value(base).expect("a model")
}
fn model(changes: Value) -> Vec<(String, &'static str)> {
    faults(check_model(&parsed_model(changes)))
}
fn merge(base: &mut Value, changes: Value) {
    for (name, value) in changes.as_object().expect("an object").clone() {
        base[name] = value;
    }
}
fn faults(errors: Vec<InputError>) -> Vec<(String, &'static str)> {
    errors
        .into_iter()
        .map(|error| (error.pointer, error.code))
        .collect()
}
fn one(pointer: &str, code: &'static str) -> Vec<(String, &'static str)> {
    vec![(pointer.to_owned(), code)]
}

// Source: ASME B30.20 20-1.3, normal service: frequent monthly, periodic yearly.
#[test]
fn a_yards_interval_may_be_shorter_but_never_longer_than_its_rule_sets() {
    assert_eq!(
        yard(json!({"intervals": {"frequent": {"normal": "P1M"}, "periodic": {"normal": "P6M"}}})),
        []
    );
    let long = json!({"intervals": {"frequent": {"normal": "P2M"}, "periodic": {"normal": "P13M"}}});
    let found = yard(long);
    assert_eq!(found.len(), 2, "{found:?}");
    assert!(found.contains(&("/intervals/frequent/normal".to_owned(), "interval-too-long")));
    assert!(found.contains(&("/intervals/periodic/normal".to_owned(), "interval-too-long")));
}

#[test]
fn a_yard_has_a_plain_code_a_name_and_no_week_old_knowledge() {
    assert_eq!(yard(json!({})), []);
    assert_eq!(yard(json!({"code": "no space"})), one("/code", "invalid-code"));
    assert_eq!(yard(json!({"name": " "})), one("/name", "invalid-name"));
    assert_eq!(yard(json!({"knowledge_limit": "P7D"})), []);
    assert_eq!(
        yard(json!({"knowledge_limit": "P8D"})),
        one("/knowledge_limit", "too-long")
    );
}

// Sources: LOLER 1998 reg. 9(3)(a)(i), six months; ASME B30.20 20-1.3, normal service yearly.
#[test]
fn a_yard_never_moves_to_a_rule_set_with_a_longer_legal_interval() {
    assert!(check_rule_set_change(RuleSetName::GbLoler, RuleSetName::UsB3020).is_some());
    assert!(check_rule_set_change(RuleSetName::GbLoler, RuleSetName::GbLoler).is_none());
}

// Sources: 10 % for the shackle under us-b30.20 (ASME B30.26), 5 % under gb-loler and de-dguv (DGUV 209-013).
#[test]
fn a_wear_limit_looser_than_every_rule_set_needs_the_makers_figure() {
    let point = |limit: &str, document: Value| {
        let mut point = json!({"criterion": "shackle_eye_worn", "nominal": {"value": "25", "unit": "mm"}, "limit_percent": limit});
        if document.is_string() {
            point["maker_document"] = document;
        }
        json!({"wear_points": [point]})
    };
    assert_eq!(model(point("4.9", Value::Null)), []);
    assert_eq!(model(point("10", Value::Null)), []);
    assert_eq!(
        model(point("10.1", Value::Null)),
        one("/wear_points/0/limit_percent", "maker-document-missing")
    );
    assert_eq!(model(point("12", json!("OK-3 manual, sheet 4"))), []);
    assert_eq!(
        needs_qualified_person(&parsed_model(point("12", json!("OK-3 manual, sheet 4")))),
        ["/wear_points/0/limit_percent"]
    );
    assert!(needs_qualified_person(&parsed_model(point("4.9", json!("OK-3 manual, sheet 4")))).is_empty());
    assert_eq!(
        needs_qualified_person(&parsed_model(json!({"without_criteria": ["pin_bent"]}))),
        ["/without_criteria"]
    );
}

#[test]
fn what_a_model_cannot_be_is_named_where_it_stands() {
    assert_eq!(model(json!({})), []);
    assert_eq!(
        model(json!({"wll": {"value": "0", "unit": "kg"}})),
        one("/wll", "out-of-range")
    );
    let jaw = json!({"jaw_opening": {"min": {"value": "2", "unit": "[in_i]"}, "max": {"value": "40", "unit": "mm"}}});
    assert_eq!(model(jaw), one("/jaw_opening", "out-of-order"));
    assert_eq!(
        model(json!({"without_criteria": ["no_such"]})),
        one("/without_criteria/0", "unknown-criterion")
    );
    assert_eq!(
        model(json!({"minimum_load_percent": "101"})),
        one("/minimum_load_percent", "out-of-range")
    );
    let look = json!({"wear_points": [{"criterion": "pin_bent", "nominal": {"value": "25", "unit": "mm"}}]});
    assert_eq!(model(look), one("/wear_points/0/criterion", "unknown-criterion"));
    let rating = json!({"lift_ratings": [{"lift": "vertical", "wll": {"value": "3.1", "unit": "t"}}]});
    assert_eq!(model(rating), one("/lift_ratings/0/wll", "out-of-range"));
}
