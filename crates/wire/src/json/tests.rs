//! Strict reading: each refusal names the place.

use super::*;
use serde::Deserialize;
use utoipa::ToSchema;

#[derive(Debug, PartialEq, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct Finding {
    criterion: String,
    #[serde(default)]
    count: u32,
}

#[derive(Debug, PartialEq, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct Inspection {
    performed_at: jiff::Timestamp,
    #[serde(default)]
    findings: Vec<Finding>,
}

fn fault(text: &str) -> (String, String) {
    faults(text).into_iter().next().expect("a fault")
}
fn faults(text: &str) -> Vec<(String, String)> {
    let errors = read::<Inspection>(text.as_bytes()).expect_err(text).into_errors();
    errors
        .into_iter()
        .map(|error| (error.pointer, error.code.into_owned()))
        .collect()
}
fn place(pointer: &str, code: &str) -> (String, String) {
    (pointer.to_owned(), code.to_owned())
}

#[test]
fn a_good_body_is_read() {
    let body = br#"{"performed_at": "2025-03-14T09:26:53+01:00", "findings": [{"criterion": "pin_bent", "count": 2}]}"#;
    let read: Inspection = read(body).expect("reads");
    assert_eq!(
        read.findings,
        [Finding {
            criterion: "pin_bent".to_owned(),
            count: 2
        }]
    );
    assert_eq!(read.performed_at.to_string(), "2025-03-14T08:26:53Z");
}

#[test]
fn an_unknown_field_is_refused_at_its_own_place() {
    let text = r#"{"performed_at": "2025-03-14T09:26:53Z", "findings": [{"criterion": "x"}, {"criterion": "y", "grad": "danger"}]}"#;
    assert_eq!(fault(text), place("/findings/1/grad", "unknown-field"));
    assert_eq!(
        fault(r#"{"performed_att": "2025-03-14T09:26:53Z"}"#),
        place("/performed_att", "unknown-field")
    );
}

#[test]
fn a_missing_field_and_a_wrong_type_name_their_place() {
    assert_eq!(fault("{}"), place("/performed_at", "missing-field"));
    let text = r#"{"performed_at": "2025-03-14T09:26:53Z", "findings": [{"criterion": 7}]}"#;
    assert_eq!(fault(text), place("/findings/0/criterion", "wrong-type"));
}

#[test]
fn a_key_given_twice_is_refused_at_any_depth() {
    let text =
        r#"{"performed_at": "2025-03-14T09:26:53Z", "findings": [{"criterion": "x", "criterion": "y"}]}"#;
    assert_eq!(fault(text), place("/findings/0/criterion", "duplicate-key"));
    // The same key in another spelling of JSON.
    assert_eq!(fault(r#"{"a": 1, "\u0061": 2}"#), place("/a", "duplicate-key"));
}

#[test]
fn decimals_and_large_integers_are_refused_where_they_stand() {
    assert_eq!(
        fault(r#"{"findings": [1.5]}"#),
        place("/findings/0", "decimal-number")
    );
    assert_eq!(
        fault(r#"{"n": 9007199254740993}"#),
        place("/n", "integer-too-large")
    );
    assert_eq!(
        fault(r#"{"n": -9007199254740993}"#),
        place("/n", "integer-too-large")
    );
    assert!(parse(br#"{"n": 9007199254740991}"#).is_ok());
}

#[test]
fn what_the_database_or_the_hash_could_not_keep_is_refused() {
    assert_eq!(fault(r#"{"note": "a\u0000b"}"#), place("/note", "nul-character"));
    assert_eq!(fault(r#"{"note": "\ud800"}"#), place("/note", "lone-surrogate"));
    assert_eq!(fault("{\"a\": 1} {}"), place("", "not-json"));
    assert_eq!(fault("  "), place("", "body-missing"));
    assert!(matches!(parse(b"\"\xff\""), Err(ReadError::Syntax(_))));
}

#[test]
fn nesting_has_a_limit() {
    let deep = format!("{}1{}", "[".repeat(MAX_DEPTH + 1), "]".repeat(MAX_DEPTH + 1));
    assert_eq!(fault(&deep).1, "too-deep");
    let allowed = format!("{}1{}", "[".repeat(MAX_DEPTH), "]".repeat(MAX_DEPTH));
    assert!(parse(allowed.as_bytes()).is_ok());
}

#[test]
fn a_time_in_a_looser_form_is_refused_although_parsers_take_it() {
    let lower = r#"{"performed_at": "2025-03-14t09:26:53z"}"#;
    assert_eq!(fault(lower), place("/performed_at", "time-malformed"));
    let leap = r#"{"performed_at": "1990-12-31T15:59:60-08:00"}"#;
    assert_eq!(fault(leap), place("/performed_at", "time-malformed"));
    assert_eq!(
        fault(r#"{"performed_at": "2025-03-14"}"#),
        place("/performed_at", "time-malformed")
    );
}

// Source: RFC 6901 section 3 (`~0` and `~1`).
#[test]
fn slashes_and_tildes_in_names_are_escaped_in_pointers() {
    assert_eq!(fault(r#"{"a/b~c": 0.5}"#), place("/a~1b~0c", "decimal-number"));
}

#[test]
fn a_fault_says_what_to_write_and_nothing_of_the_program() {
    use clampward_domain::entry::Inspected;
    use clampward_domain::ids::ClampId;
    use clampward_domain::quantity::Length;
    use clampward_domain::words::ServiceClass;
    #[derive(Debug, Deserialize, ToSchema)]
    #[serde(deny_unknown_fields)]
    #[expect(dead_code, reason = "only read")]
    struct Form {
        length: Option<Length>,
        count: Option<u32>,
        clamp: Option<ClampId>,
        class: Option<ServiceClass>,
        name: Option<String>,
        sure: Option<bool>,
        list: Option<Vec<String>>,
        inspected: Option<Inspected>,
    }
    for (text, pointer, code, says) in [
        (
            r#"{"length": "38.1 mm"}"#,
            "/length",
            "wrong-type",
            r#"{"value": "38.1", "unit": "mm"}"#,
        ),
        (r#"{"length": 38}"#, "/length", "wrong-type", "not the number 38"),
        (r#"{"count": "2"}"#, "/count", "wrong-type", "a whole number"),
        (r#"{"count": -2}"#, "/count", "invalid-value", "0 or more"),
        (
            r#"{"clamp": "HMW-1"}"#,
            "/clamp",
            "invalid-value",
            "a UUID, for example",
        ),
        (r#"{"clamp": 1}"#, "/clamp", "wrong-type", "a UUID, for example"),
        (
            r#"{"class": "mild"}"#,
            "/class",
            "unknown-word",
            "write normal, heavy",
        ),
        (r#"{"class": 3}"#, "/class", "wrong-type", "write"),
        (
            r#"{"name": 3}"#,
            "/name",
            "wrong-type",
            "write a text, not the number 3",
        ),
        (r#"{"sure": "yes"}"#, "/sure", "wrong-type", "write true or false"),
        (
            r#"{"list": {}}"#,
            "/list",
            "wrong-type",
            "write a list, not an object",
        ),
        (
            r#"{"inspected": "x"}"#,
            "/inspected",
            "wrong-type",
            "a JSON object",
        ),
    ] {
        let errors = read::<Form>(text.as_bytes()).expect_err(text).into_errors();
        let [error] = errors.as_slice() else {
            panic!("one fault: {errors:?}")
        };
        assert_eq!(
            (error.pointer.as_str(), &*error.code),
            (pointer, code),
            "{error:?}"
        );
        assert!(error.detail.contains(says), "{error:?}");
        for word in ["expected", "struct", "enum", "variant", "u32", "UUID parsing"] {
            assert!(!error.detail.contains(word), "{error:?}");
        }
    }
}

#[test]
fn every_fault_of_the_notation_is_named_with_its_place() {
    let text = r#"{"a": 1.5, "b": [9007199254740993, "x\u0000"], "a": true, "c": 1e999, "d": 1}"#;
    assert_eq!(
        faults(text),
        [
            place("/a", "decimal-number"),
            place("/b/0", "integer-too-large"),
            place("/b/1", "nul-character"),
            place("/a", "duplicate-key"),
            // Here the parser itself gave up.
            place("/c", "decimal-number"),
        ]
    );
    let many = format!("[{}]", vec!["0.5"; 1000].join(","));
    assert_eq!(faults(&many).len(), MAX_FAULTS);
}

#[test]
fn every_fault_of_the_shape_is_named_with_its_place() {
    let text = r#"{"performed_at": "2025-03-14", "findings": [{"criterion": 7, "grad": "x"}, {"count": "2"}, {"criterion": "y"}], "more": 1}"#;
    assert_eq!(
        faults(text),
        [
            place("/performed_at", "time-malformed"),
            place("/findings/0/criterion", "wrong-type"),
            place("/findings/0/grad", "unknown-field"),
            place("/findings/1/count", "wrong-type"),
            place("/findings/1/criterion", "missing-field"),
            place("/more", "unknown-field"),
        ]
    );
}

#[test]
fn a_quantity_is_faulted_at_its_number_and_at_its_unit() {
    use clampward_domain::quantity::Mass;
    #[derive(Debug, Deserialize, ToSchema)]
    #[serde(deny_unknown_fields)]
    #[expect(dead_code, reason = "only read")]
    struct Load {
        wll: Mass,
        load: Mass,
        other: Option<Mass>,
    }
    let text = r#"{"wll": {"value": "3,000", "unit": "kg"}, "load": {"value": "3", "unit": "ton"}, "other": {"value": 3, "unit": "kg"}}"#;
    let errors = read::<Load>(text.as_bytes()).expect_err(text).into_errors();
    let places: Vec<_> = errors
        .iter()
        .map(|error| (error.pointer.as_str(), &*error.code))
        .collect();
    assert_eq!(
        places,
        [
            ("/wll/value", "invalid-value"),
            ("/load/unit", "unknown-word"),
            ("/other/value", "wrong-type")
        ]
    );
    assert!(
        errors.iter().all(|error| !error.detail.contains("expected")),
        "{errors:?}"
    );
}

/// Bytes of the pointers and words of a refusal.
fn size(errors: &[FieldError]) -> usize {
    errors
        .iter()
        .map(|error| error.pointer.len() + error.detail.len())
        .sum()
}

#[test]
fn a_refusal_is_small_whatever_was_sent() {
    let long = "k".repeat(500_000);
    let times = vec![r#"{"_at":""}"#; 43_000].join(",");
    let lists = vec!["[]"; 200_000].join(",");
    let deep = |inner: &str| {
        let name = "~".repeat(MAX_KEY);
        let open = format!("{{\"{name}\":");
        format!("{}{inner}{}", open.repeat(30), "}".repeat(30))
    };
    let text = "\\u0001".repeat(80_000);
    for body in [
        format!("{{\"{long}\":[{times}]}}"),
        format!("{{\"{long}\":[{lists}]}}"),
        format!("{{\"{long}\":{{}}}}"),
        format!("{{\"findings\":[{times}]}}"),
        format!("{{\"findings\":[{lists}]}}"),
        deep(&format!("[{times}]")),
        deep(&format!("{{\"a_at\":\"{text}\",\"b_at\":\"{text}\"}}")),
        format!("{{\"performed_at\":\"{text}\"}}"),
        format!("{{\"findings\":\"{text}\"}}"),
        format!("{{\"performed_at\":{}}}", "9".repeat(500_000)),
    ] {
        let beginning: String = body.chars().take(80).collect();
        let errors = read::<Inspection>(body.as_bytes())
            .expect_err(&beginning)
            .into_errors();
        assert!(
            (1..=MAX_FAULTS).contains(&errors.len()),
            "{beginning}: {}",
            errors.len()
        );
        assert!(size(&errors) < 64 * 1024, "{beginning}: {} bytes", size(&errors));
    }
}

#[test]
fn names_of_fields_have_a_length_and_what_lies_too_deep_is_named_at_the_place_around_it() {
    let at = |length: usize| faults(&format!("{{\"findings\":[{{\"{}\":1}}]}}", "k".repeat(length)));
    assert_eq!(at(MAX_KEY + 1), [place("/findings/0", "key-too-long")]);
    let known = format!("/findings/0/{}", "k".repeat(MAX_KEY));
    assert!(at(MAX_KEY).contains(&place(&known, "unknown-field")));
    let name = "n".repeat(MAX_KEY);
    let nested = format!("{{\"{name}\":{{\"{name}\":{{\"{name}\":{{\"some_at\":\"\"}}}}}}}}");
    assert!(faults(&nested).contains(&place(&format!("/{name}/{name}"), "time-malformed")));
}
