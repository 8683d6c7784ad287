//! Numbers and units as people and programs mistype them.

use super::Field::{Id, Length, Mass, Text};
use super::{instead, invalid, malformed, try_everywhere};

#[actix_web::test]
async fn a_quantity_is_an_exact_decimal_as_text_with_a_unit_of_its_kind() {
    let mass = |value: &str| instead(&format!(r#"{{"value": {value}, "unit": "kg"}}"#));
    let length = |value: &str| instead(&format!(r#"{{"value": {value}, "unit": "mm"}}"#));
    let forty = format!("\"{}\"", "1234567890".repeat(4));
    try_everywhere(&[
        invalid(
            "a length for a mass",
            Mass,
            instead(r#"{"value": "3000", "unit": "mm"}"#),
            "/unit",
            "unknown-word",
        ),
        invalid(
            "a ton, which is three masses",
            Mass,
            instead(r#"{"value": "3", "unit": "ton"}"#),
            "/unit",
            "unknown-word",
        ),
        invalid(
            "a unit with other case",
            Length,
            instead(r#"{"value": "3", "unit": "MM"}"#),
            "/unit",
            "unknown-word",
        ),
        invalid(
            "no unit",
            Length,
            instead(r#"{"value": "3"}"#),
            "/unit",
            "missing-field",
        ),
        invalid(
            "an integer instead of a text",
            Mass,
            mass("3000"),
            "/value",
            "wrong-type",
        ),
        malformed(
            "a number instead of a text",
            Mass,
            mass("38.1"),
            "/value",
            "decimal-number",
        ),
        malformed(
            "1e999 without quotes",
            Length,
            length("1e999"),
            "/value",
            "decimal-number",
        ),
        invalid(
            "a thousands separator",
            Mass,
            mass("\"3,000\""),
            "/value",
            "invalid-value",
        ),
        invalid(
            "a decimal comma",
            Length,
            length("\"38,1\""),
            "/value",
            "invalid-value",
        ),
        invalid("NaN", Mass, mass("\"NaN\""), "/value", "invalid-value"),
        invalid(
            "Infinity",
            Length,
            length("\"Infinity\""),
            "/value",
            "invalid-value",
        ),
        invalid("1e999", Mass, mass("\"1e999\""), "/value", "invalid-value"),
        invalid("40 digits", Mass, mass(&forty), "/value", "invalid-value"),
        invalid(
            "40 digits of fraction",
            Length,
            length(&format!("\"0.{}\"", "1".repeat(40))),
            "/value",
            "invalid-value",
        ),
        invalid("a space", Length, length("\" 3\""), "/value", "invalid-value"),
        invalid(
            "hexadecimal",
            Length,
            length("\"0x10\""),
            "/value",
            "invalid-value",
        ),
        invalid(
            "Arabic-Indic digits",
            Length,
            length("\"٣\""),
            "/value",
            "invalid-value",
        ),
        invalid("nothing", Length, length("\"\""), "/value", "invalid-value"),
        invalid("a negative length", Length, length("\"-1\""), "", "invalid-value"),
        invalid("a negative mass", Mass, mass("\"-0.0001\""), "", "invalid-value"),
        invalid(
            "a text with its unit",
            Mass,
            instead("\"3000 kg\""),
            "",
            "wrong-type",
        ),
    ])
    .await;
}

#[actix_web::test]
async fn a_field_of_another_type_says_what_to_write() {
    try_everywhere(&[
        invalid("a number for a text", Text, instead("7"), "", "wrong-type"),
        invalid("a list for a text", Text, instead("[\"a\"]"), "", "wrong-type"),
        invalid("a list for a quantity", Mass, instead("[]"), "", "wrong-type"),
    ])
    .await;
}

#[actix_web::test]
async fn an_id_is_a_uuid() {
    try_everywhere(&[
        invalid("a mark for an id", Id, instead("\"HMW-1\""), "", "invalid-value"),
        invalid("nothing for an id", Id, instead("\"\""), "", "invalid-value"),
        invalid(
            "a digit too many",
            Id,
            instead("\"01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a101\""),
            "",
            "invalid-value",
        ),
    ])
    .await;
}
