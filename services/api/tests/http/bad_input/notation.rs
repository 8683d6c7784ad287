//! JSON that cannot be read as one meaning.

use super::Field::{Instant, Mass, Text};
use super::{Edit, endpoints, instead, invalid, malformed, try_everywhere};
use crate::trade::Fleet;

#[actix_web::test]
async fn what_is_no_strict_json_is_refused_at_its_place() {
    try_everywhere(&[
        malformed("a key given twice", Text, Edit::Twice, "", "duplicate-key"),
        malformed("a quantity given twice", Mass, Edit::Twice, "", "duplicate-key"),
        malformed("NUL", Text, instead(r#""a\u0000b""#), "", "nul-character"),
        malformed(
            "a lone high surrogate",
            Text,
            instead(r#""\ud800""#),
            "",
            "lone-surrogate",
        ),
        malformed(
            "a lone low surrogate",
            Text,
            instead(r#""\udc00 x""#),
            "",
            "lone-surrogate",
        ),
        malformed(
            "two high surrogates",
            Text,
            instead(r#""\ud800\ud800""#),
            "",
            "lone-surrogate",
        ),
        malformed(
            "NaN without quotes",
            Mass,
            instead(r#"{"value": NaN, "unit": "kg"}"#),
            "/value",
            "not-json",
        ),
        malformed(
            "Infinity without quotes",
            Text,
            instead("Infinity"),
            "",
            "not-json",
        ),
        malformed(
            "an integer above 2^53",
            Text,
            instead("9007199254740993"),
            "",
            "integer-too-large",
        ),
        malformed(
            "an integer below -2^53",
            Mass,
            instead("-9007199254740993"),
            "",
            "integer-too-large",
        ),
        malformed(
            "40 digits without quotes",
            Mass,
            instead(r#"{"value": 1234567890123456789012345678901234567890, "unit": "kg"}"#),
            "/value",
            "decimal-number",
        ),
        malformed("a comment", Text, instead("/* why */ \"a\""), "", "not-json"),
        malformed(
            "single quotes",
            Instant,
            instead("'2025-03-14T09:00:00Z'"),
            "",
            "not-json",
        ),
    ])
    .await;
}

#[actix_web::test]
async fn an_unknown_field_is_refused_beside_every_known_one() {
    try_everywhere(&[
        invalid(
            "an unknown field",
            Text,
            Edit::Beside("colour", "\"red\""),
            "",
            "unknown-field",
        ),
        invalid(
            "an unknown field of null",
            Mass,
            Edit::Beside("colour", "null"),
            "",
            "unknown-field",
        ),
        invalid(
            "a field with other case",
            Text,
            Edit::Beside("Name", "\"x\""),
            "",
            "unknown-field",
        ),
    ])
    .await;
}

/// Goal: nothing that is nested deeper than anybody means reaches the stack. Method: ten thousand levels of lists and of
/// objects, closed and not closed, up to the whole body.
#[actix_web::test]
async fn ten_thousand_levels_are_refused_and_overflow_nothing() {
    let (lists, objects) = ("[".repeat(10_000), "{\"a\":".repeat(10_000));
    let closed = format!("{lists}{}", "]".repeat(10_000));
    let fleet = Fleet::start().await;
    let endpoints = endpoints::all(&fleet).await;
    for text in [&closed, &lists, &objects] {
        // The pointer of the fault is as deep as the limit; it begins where the field is.
        let case = malformed("depth", Text, instead(text), "", "too-deep");
        for endpoint in &endpoints {
            let texts = endpoint.fields.iter().filter(|(field, _)| *field == Text);
            for (_, pointer) in texts {
                let before = fleet.app.stored().await;
                let (body, _) = case.broken(endpoint, pointer);
                let reply = endpoint.send(&fleet.app, body.into_bytes()).await;
                reply.refused(400, "malformed-json");
                assert_eq!(reply.text("/errors/0/code"), "too-deep", "{}", reply.body);
                let place = reply.text("/errors/0/pointer");
                assert!(place.starts_with(pointer), "{place}");
                assert_eq!(fleet.app.stored().await, before, "{}", endpoint.name);
            }
        }
    }
    let whole = endpoints.first().expect("an endpoint");
    for text in ["[".repeat(1 << 20), "{\"a\":".repeat(200_000)] {
        let reply = whole.send(&fleet.app, text.into_bytes()).await;
        reply.refused(400, "malformed-json");
        assert_eq!(reply.text("/errors/0/code"), "too-deep");
    }
    fleet.stop().await;
}
