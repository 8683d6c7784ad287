//! What is no access token of ours is refused, whatever it looks like.

use super::super::keys::SigningKey;
use super::*;
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;

const NOW: i64 = 1_750_000_000;

fn at(second: i64) -> Timestamp {
    Timestamp::from_second(second).expect("in range")
}
fn key() -> SigningKey {
    SigningKey::from_secret(&[7; 32]).expect("key")
}
fn tokens() -> Tokens {
    Tokens::new(key(), "https://clampward.test")
}
fn person() -> PersonId {
    PersonId::new(Uuid::from_u128(1))
}
fn subject() -> Subject {
    Subject {
        person: person(),
        grants_version: 3,
        session: Uuid::from_u128(9),
        session_ends: at(NOW + 43_200),
    }
}
fn issue(tokens: &Tokens) -> String {
    let token = tokens
        .issue(&subject(), Uuid::from_u128(2), at(NOW))
        .expect("signed");
    assert_eq!(token.expires_in, ACCESS_TOKEN_SECONDS);
    token.text
}
fn good_payload() -> serde_json::Value {
    serde_json::json!({
        "iss": "https://clampward.test", "aud": "clampward", "sub": person(), "sid": Uuid::from_u128(9), "iat": NOW, "nbf": NOW,
        "exp": NOW + 900, "jti": Uuid::from_u128(2), "grants_version": 3,
    })
}
fn good_header() -> serde_json::Value {
    serde_json::json!({ "alg": "EdDSA", "typ": "at+jwt", "kid": key().name() })
}
fn signed(header: &serde_json::Value, payload: &serde_json::Value) -> String {
    let input = format!(
        "{}.{}",
        URL_SAFE_NO_PAD.encode(header.to_string()),
        URL_SAFE_NO_PAD.encode(payload.to_string())
    );
    let signature = jsonwebtoken::crypto::sign(input.as_bytes(), key().private(), ALGORITHM).expect("signed");
    format!("{input}.{signature}")
}
fn with(mut base: serde_json::Value, name: &str, value: impl Into<serde_json::Value>) -> serde_json::Value {
    base[name] = value.into();
    base
}

#[test]
fn a_token_says_who_and_until_when() {
    let tokens = tokens();
    let token = issue(&tokens);
    let claims = tokens.verify(&token, at(NOW)).expect("valid");
    assert_eq!(
        claims,
        Claims {
            person: person(),
            session: Uuid::from_u128(9),
            grants_version: 3,
            id: Uuid::from_u128(2),
            expires: NOW + 900
        }
    );
    assert_eq!(tokens.verify(&token, at(NOW + 899)), Ok(claims));
}

// Also that the time is the one given: all of these are long past by the system's clock.
#[test]
fn a_token_ends_fifteen_minutes_and_a_minutes_leeway_later_also_when_it_is_remembered() {
    let token = issue(&tokens());
    let remembering = tokens();
    remembering.verify(&token, at(NOW)).expect("valid and remembered");
    for (second, valid) in [
        (NOW + 900, true),
        (NOW + 959, true),
        (NOW + 960, false),
        (NOW + 961, false),
    ] {
        for tokens in [&remembering, &tokens()] {
            let answer = tokens.verify(&token, at(second));
            assert_eq!(answer.err(), (!valid).then_some(Refusal::Expired), "{second}");
        }
    }
}

#[test]
fn no_token_outlives_its_session() {
    let short = Subject {
        session_ends: at(NOW + 100),
        ..subject()
    };
    let token = tokens()
        .issue(&short, Uuid::from_u128(2), at(NOW))
        .expect("signed");
    assert_eq!(token.expires_in, 100);
    assert!(tokens().verify(&token.text, at(NOW + 159)).is_ok());
    assert_eq!(tokens().verify(&token.text, at(NOW + 160)), Err(Refusal::Expired));
}

// Sources: RFC 8725 sections 2.1 (none, algorithm confusion), 3.1, 3.9, 3.11; RFC 9068 section 2.1.
#[test]
fn headers_other_than_ours_are_refused_even_with_a_good_signature() {
    for header in [
        with(good_header(), "alg", "none"),
        with(good_header(), "alg", "HS256"),
        with(good_header(), "alg", "Ed25519ph"),
        with(good_header(), "typ", "JWT"),
        with(good_header(), "kid", "other"),
        with(good_header(), "crit", serde_json::json!(["exp"])),
        with(good_header(), "jwk", serde_json::json!({"kty": "OKP"})),
        with(good_header(), "crit", serde_json::json!([])),
        with(good_header(), "extra", 1),
        with(good_header(), "jku", "https://clampward.test/keys"),
        serde_json::json!({ "alg": "EdDSA" }),
        serde_json::json!({ "alg": "EdDSA", "typ": "at+jwt" }),
    ] {
        assert_eq!(
            tokens().verify(&signed(&header, &good_payload()), at(NOW)),
            Err(Refusal::Header),
            "{header}"
        );
    }
}

#[test]
fn foreign_parties_and_times_are_refused_even_with_a_good_signature() {
    for (payload, refusal) in [
        (with(good_payload(), "iss", "https://other.test"), Refusal::Party),
        (with(good_payload(), "aud", "other"), Refusal::Party),
        (with(good_payload(), "exp", NOW - 60), Refusal::Expired),
        (with(good_payload(), "exp", NOW - 61), Refusal::Expired),
        (with(good_payload(), "nbf", NOW + 61), Refusal::NotYet),
        (with(good_payload(), "sub", "nobody"), Refusal::Malformed),
        (with(good_payload(), "sid", "nothing"), Refusal::Malformed),
        (with(good_payload(), "jti", "nothing"), Refusal::Malformed),
        (
            with(good_payload(), "exp", serde_json::Value::Null),
            Refusal::Malformed,
        ),
        (
            with(good_payload(), "aud", serde_json::json!(["clampward", "other"])),
            Refusal::Malformed,
        ),
    ] {
        assert_eq!(
            tokens().verify(&signed(&good_header(), &payload), at(NOW)),
            Err(refusal),
            "{payload}"
        );
    }
    for payload in [
        good_payload(),
        with(good_payload(), "exp", NOW - 59),
        with(good_payload(), "nbf", NOW + 60),
    ] {
        let token = signed(&good_header(), &payload);
        assert!(tokens().verify(&token, at(NOW)).is_ok(), "{payload}");
    }
}

#[test]
fn a_changed_token_is_refused_at_every_byte_of_its_signed_part() {
    let tokens = tokens();
    let token = issue(&tokens);
    for index in 0..token.len() {
        let mut bytes = token.clone().into_bytes();
        bytes[index] = if bytes[index] == b'A' { b'B' } else { b'A' };
        let changed = String::from_utf8(bytes).expect("ascii");
        assert!(tokens.verify(&changed, at(NOW)).is_err(), "byte {index}");
    }
    assert!(tokens.verify(&token[..token.len() - 1], at(NOW)).is_err());
}

// Source: RFC 7515 appendix A.1: a valid HS256 token, which a verifier of EdDSA must refuse.
#[test]
fn the_hs256_example_of_rfc_7515_is_refused() {
    let token = "eyJ0eXAiOiJKV1QiLA0KICJhbGciOiJIUzI1NiJ9.eyJpc3MiOiJqb2UiLA0KICJleHAiOjEzMDA4MTkzODAsDQogImh0dHA6\
                 Ly9leGFtcGxlLmNvbS9pc19yb290Ijp0cnVlfQ.dBjftJeZ4CVP-mB92K27uhbUJU1p1r_wW1gFWFOEjXk";
    assert_eq!(tokens().verify(token, at(1_300_819_000)), Err(Refusal::Header));
}

// Source: RFC 7519 section 6.1: an unsecured token.
#[test]
fn the_unsecured_example_of_rfc_7519_is_refused() {
    let token = "eyJhbGciOiJub25lIn0.eyJpc3MiOiJqb2UiLA0KICJleHAiOjEzMDA4MTkzODAsDQogImh0dHA6Ly9leGFtcGxlLmNvbS9pc\
                 19yb290Ijp0cnVlfQ.";
    assert_eq!(tokens().verify(token, at(1_300_819_000)), Err(Refusal::Header));
}

#[test]
fn what_is_no_token_is_refused() {
    let long = "a".repeat(MAX_TOKEN_BYTES + 1);
    for text in ["", ".", "..", "a.b", "a.b.c.d", "é.é.é", long.as_str()] {
        assert!(tokens().verify(text, at(NOW)).is_err(), "{text}");
    }
}
