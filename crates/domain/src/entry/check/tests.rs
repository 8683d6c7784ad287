//! Every fault of a body, each with its pointer.

use super::*;
use crate::entry::Body;
use crate::words::EntryKind;

fn faults(kind: EntryKind, body: serde_json::Value) -> Vec<(String, &'static str)> {
    let body = Body::from_json(kind, body).unwrap();
    let at = "2026-03-01T10:00:00Z".parse().unwrap();
    check_body(at, &body)
        .into_iter()
        .map(|fault| (fault.pointer, fault.code))
        .collect()
}

#[test]
fn a_registration_names_every_fault_at_once() {
    let found = faults(
        EntryKind::Registered,
        serde_json::json!({
            "asset_mark": "", "serial_number": "a\u{7}b", "model_id": uuid::Uuid::nil(), "yard_id": uuid::Uuid::nil(),
            "service_class": "normal", "manufactured_on": "0001-01-01",
            "wll": {"value": "0", "unit": "kg"},
            "jaw_opening": {"min": {"value": "50", "unit": "mm"}, "max": {"value": "1", "unit": "[in_i]"}},
        }),
    );
    assert_eq!(
        found,
        [
            ("/asset_mark".to_owned(), "not-a-mark"),
            ("/serial_number".to_owned(), "not-a-mark"),
            ("/manufactured_on".to_owned(), "out-of-range"),
            ("/wll".to_owned(), "out-of-range"),
            ("/jaw_opening".to_owned(), "out-of-order"),
        ]
    );
}

#[test]
fn a_pair_of_criterion_and_place_is_given_once() {
    let finding = serde_json::json!({"criterion": "shackle_eye_worn", "outcome": "accept", "place": "left"});
    let other = serde_json::json!({"criterion": "shackle_eye_worn", "outcome": "accept", "place": "right"});
    let found = faults(
        EntryKind::Inspected,
        serde_json::json!({"kind": "frequent", "findings": [finding, other, finding]}),
    );
    assert_eq!(found, [("/findings/2".to_owned(), "repeated")]);
}

#[test]
fn a_finding_does_not_contradict_itself() {
    let found = faults(
        EntryKind::Inspected,
        serde_json::json!({"kind": "frequent", "findings": [
            {"criterion": "no_such_thing", "outcome": "accept"},
            {"criterion": "shackle_eye_worn", "outcome": "accept", "grade": "danger"},
            {"criterion": "pin_worn", "outcome": "reject", "grade": "danger_by"},
            {"criterion": "pin_bent", "outcome": "reject", "by_date": "2026-04-01", "photos": ["ABC"]},
        ]}),
    );
    assert_eq!(
        found,
        [
            ("/findings/0/criterion".to_owned(), "unknown-criterion"),
            ("/findings/1/grade".to_owned(), "contradiction"),
            ("/findings/2/by_date".to_owned(), "missing"),
            ("/findings/3/by_date".to_owned(), "contradiction"),
            ("/findings/3/photos/0".to_owned(), "not-sha256"),
        ]
    );
}

#[test]
fn a_period_of_use_ends_after_it_begins() {
    let found = faults(
        EntryKind::Used,
        serde_json::json!({"from": "2026-03-02T10:00:00Z", "lifts": 4_000_000}),
    );
    assert_eq!(
        found,
        [
            ("/from".to_owned(), "out-of-order"),
            ("/lifts".to_owned(), "out-of-range")
        ]
    );
}

#[test]
fn an_amendment_has_a_value_of_its_field() {
    let amend = |field: &str, value: serde_json::Value| {
        faults(
            EntryKind::Amended,
            serde_json::json!({"cites": uuid::Uuid::nil(), "field": field, "value": value, "reason": "plate read again"}),
        )
    };
    assert_eq!(
        amend("wll", serde_json::json!({"value": "2000", "unit": "kg"})),
        []
    );
    assert_eq!(
        amend("wll", serde_json::json!("2000 kg")),
        [("/value".to_owned(), "wrong-value")]
    );
    assert_eq!(
        amend("manufactured_on", serde_json::json!("2026-02-30")),
        [("/value".to_owned(), "wrong-value")]
    );
    assert_eq!(
        amend("found", serde_json::json!(" ")),
        [("/value".to_owned(), "wrong-value")]
    );
}

#[test]
fn a_return_names_what_it_closes_once() {
    assert_eq!(
        faults(EntryKind::ReturnedToService, serde_json::json!({"releases": []})),
        [("/releases".to_owned(), "empty")]
    );
    let release = serde_json::json!({"lockout_id": uuid::Uuid::nil(), "ground": "repaired"});
    assert_eq!(
        faults(
            EntryKind::ReturnedToService,
            serde_json::json!({"releases": [release, release]})
        ),
        [("/releases/1".to_owned(), "repeated")]
    );
}

#[test]
fn unknown_fields_are_refused() {
    let error = Body::from_json(
        EntryKind::TaggedOut,
        serde_json::json!({"reason": "dropped", "nota": "x"}),
    )
    .unwrap_err();
    assert!(error.to_string().contains("nota"), "{error}");
}

#[test]
fn an_amended_value_meets_what_a_registration_has_to_meet() {
    let amend = |field: &str, value: serde_json::Value| {
        faults(
            EntryKind::Amended,
            serde_json::json!({"cites": uuid::Uuid::nil(), "field": field, "value": value, "reason": "read again"}),
        )
    };
    let scheme =
        |from: &str, by: &str| serde_json::json!({"interval": "P9M", "valid_from": from, "drawn_up_by": by});
    assert_eq!(
        amend("wll", serde_json::json!({"value": "0", "unit": "kg"})),
        [("/value".to_owned(), "out-of-range")]
    );
    assert_eq!(
        amend("examination_scheme", scheme("0001-01-01", " ")),
        [
            ("/value/valid_from".to_owned(), "out-of-range"),
            ("/value/drawn_up_by".to_owned(), "empty")
        ]
    );
    assert_eq!(amend("examination_scheme", scheme("2025-01-01", "A. Person")), []);
    assert_eq!(
        amend("declaration", serde_json::json!({"made_on": "2300-01-01"})),
        [("/value/made_on".to_owned(), "out-of-range")]
    );
}

#[test]
fn a_period_of_use_is_at_most_a_quarter_long() {
    let used = |from: &str| faults(EntryKind::Used, serde_json::json!({"from": from, "lifts": 1}));
    assert_eq!(used("2025-11-29T10:00:00Z"), []);
    assert_eq!(
        used("2025-11-29T09:59:59Z"),
        [("/from".to_owned(), "out-of-range")]
    );
    assert_eq!(
        used("1800-01-01T00:00:00Z"),
        [("/from".to_owned(), "out-of-range")]
    );
}
