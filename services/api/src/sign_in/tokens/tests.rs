//! What is no access token of ours is refused, whatever it looks like.

use super::*;

const NOW: i64 = 1_750_000_000;

fn at(second: i64) -> Timestamp {
    Timestamp::from_second(second).expect("in range")
}
fn key() -> SigningKey {
    SigningKey::from_secret(&[7; 32])
}
fn tokens() -> Tokens {
    Tokens::new(key(), "https://clampward.test")
}
fn person() -> PersonId {
    PersonId::new(Uuid::from_u128(1))
}
fn good_payload() -> serde_json::Value {
    serde_json::json!({
        "iss": "https://clampward.test", "aud": "clampward", "sub": person(), "iat": NOW, "nbf": NOW,
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
    let signature = key().sign(input.as_bytes());
    format!("{input}.{}", URL_SAFE_NO_PAD.encode(signature))
}
fn with(mut base: serde_json::Value, name: &str, value: impl Into<serde_json::Value>) -> serde_json::Value {
    base[name] = value.into();
    base
}

#[test]
fn a_token_says_who_and_until_when() {
    let tokens = tokens();
    let token = tokens.issue(person(), 3, Uuid::from_u128(2), at(NOW));
    let claims = tokens.verify(&token, at(NOW)).expect("valid");
    assert_eq!(
        claims,
        Claims {
            person: person(),
            grants_version: 3,
            id: Uuid::from_u128(2),
            expires: NOW + 900
        }
    );
    assert_eq!(tokens.verify(&token, at(NOW + 899)), Ok(claims));
}

#[test]
fn a_token_ends_after_fifteen_minutes_also_when_it_is_remembered() {
    let tokens = tokens();
    let token = tokens.issue(person(), 3, Uuid::from_u128(2), at(NOW));
    tokens.verify(&token, at(NOW)).expect("valid and remembered");
    assert_eq!(tokens.verify(&token, at(NOW + 900)), Err(Refusal::Expired));
    assert_eq!(
        super::Tokens::new(key(), "https://clampward.test").verify(&token, at(NOW + 900)),
        Err(Refusal::Expired)
    );
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
        with(good_header(), "jku", "https://clampward.test/keys"),
        serde_json::json!({ "alg": "EdDSA" }),
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
        (with(good_payload(), "exp", NOW), Refusal::Expired),
        (with(good_payload(), "nbf", NOW + 61), Refusal::NotYet),
        (with(good_payload(), "sub", "nobody"), Refusal::Malformed),
        (
            with(good_payload(), "exp", serde_json::Value::Null),
            Refusal::Malformed,
        ),
    ] {
        assert_eq!(
            tokens().verify(&signed(&good_header(), &payload), at(NOW)),
            Err(refusal),
            "{payload}"
        );
    }
    assert!(
        tokens()
            .verify(&signed(&good_header(), &good_payload()), at(NOW))
            .is_ok()
    );
}

#[test]
fn a_changed_token_is_refused_at_every_byte_of_its_signed_part() {
    let tokens = tokens();
    let token = tokens.issue(person(), 3, Uuid::from_u128(2), at(NOW));
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

#[test]
fn what_is_no_token_is_refused() {
    let long = "a".repeat(MAX_TOKEN_BYTES + 1);
    for text in ["", ".", "..", "a.b", "a.b.c.d", "é.é.é", long.as_str()] {
        assert!(tokens().verify(text, at(NOW)).is_err(), "{text}");
    }
}
