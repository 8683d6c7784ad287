//! How a device proves itself: a JWT that its own key signed (RFC 7523 section 2.2), EdDSA and nothing else.
//!
//! The header must be exactly of one form, and no key is ever taken from it. An assertion is not remembered: it ends within
//! minutes, and all that it opens is the device's own. The time is the caller's.

use super::ed25519;
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use clampward_domain::ids::DeviceId;
use clampward_wire::sync::device::{
    ASSERTION_LEEWAY_SECONDS, ASSERTION_SECONDS, AssertionClaims, read_signature,
};
use jiff::Timestamp;
use serde::Deserialize;

/// Longest assertion that is looked at.
pub const MAX_ASSERTION_BYTES: usize = 4096;

/// Why an assertion was refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum AssertionRefusal {
    /// Not three parts of base64url and JSON, or too long.
    #[error("malformed")]
    Malformed,
    /// Another algorithm or type, or an extension in the header.
    #[error("foreign header")]
    Header,
    /// Issuer and subject differ, or it is for somebody else.
    #[error("foreign issuer, subject or audience")]
    Party,
    /// The signature does not fit the device's key.
    #[error("wrong signature")]
    Signature,
    /// The device itself signed it, but it is over, not yet valid, or ends too late.
    #[error("over, not yet valid or too long")]
    Times,
}

/// An assertion as it was read; nothing of it is proven yet.
#[derive(Debug)]
pub struct Assertion {
    signing_input: String,
    signature: [u8; 64],
    claims: AssertionClaims,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Header {
    alg: String,
    typ: Option<String>,
    #[serde(rename = "kid")]
    _kid: Option<String>,
}

impl Assertion {
    /// Reads one.
    pub fn read(text: &str) -> Result<Self, AssertionRefusal> {
        if text.len() > MAX_ASSERTION_BYTES {
            return Err(AssertionRefusal::Malformed);
        }
        let (signing_input, signature) = text.rsplit_once('.').ok_or(AssertionRefusal::Malformed)?;
        let (header, payload) = signing_input.split_once('.').ok_or(AssertionRefusal::Malformed)?;
        let decode = |part: &str| {
            URL_SAFE_NO_PAD
                .decode(part)
                .map_err(|_| AssertionRefusal::Malformed)
        };
        // What parses as JSON and not as a header names something that is not known here.
        let header: Header =
            serde_json::from_slice(&decode(header)?).map_err(|_| AssertionRefusal::Header)?;
        if header.alg != "EdDSA" || header.typ.is_some_and(|typ| !typ.eq_ignore_ascii_case("JWT")) {
            return Err(AssertionRefusal::Header);
        }
        let claims: AssertionClaims =
            serde_json::from_slice(&decode(payload)?).map_err(|_| AssertionRefusal::Malformed)?;
        Ok(Self {
            signing_input: signing_input.to_owned(),
            signature: read_signature(signature).ok_or(AssertionRefusal::Malformed)?,
            claims,
        })
    }
    /// The device that it says it is of.
    pub fn device(&self) -> DeviceId {
        self.claims.sub
    }
    /// Whether the holder of the key made it for this audience, and it is valid now.
    pub fn check(
        &self,
        public_key: &[u8; 32],
        audience: &str,
        now: Timestamp,
    ) -> Result<(), AssertionRefusal> {
        let claims = &self.claims;
        if claims.iss != claims.sub || claims.aud != audience || claims.jti.is_empty() {
            return Err(AssertionRefusal::Party);
        }
        if !ed25519::fits(public_key, self.signing_input.as_bytes(), &self.signature) {
            return Err(AssertionRefusal::Signature);
        }
        let now = now.as_second();
        let late = now.saturating_sub(ASSERTION_LEEWAY_SECONDS);
        let early = now.saturating_add(ASSERTION_LEEWAY_SECONDS);
        let over = claims.exp <= late;
        let too_long = claims.exp > early.saturating_add(ASSERTION_SECONDS);
        let not_yet = claims.nbf.is_some_and(|begin| begin > early);
        if over || too_long || not_yet {
            return Err(AssertionRefusal::Times);
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    //! Every way in which an assertion can be another's or none.

    use super::*;
    use aws_lc_rs::signature::{Ed25519KeyPair, KeyPair as _};
    use serde_json::{Value, json};

    const AUDIENCE: &str = "https://clampward.test";
    const DEVICE: &str = "01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10";

    fn now() -> Timestamp {
        "2026-03-01T08:00:00Z".parse().unwrap()
    }
    fn pair() -> Ed25519KeyPair {
        Ed25519KeyPair::from_seed_unchecked(&[3; 32]).unwrap()
    }
    fn public() -> [u8; 32] {
        pair().public_key().as_ref().try_into().unwrap()
    }
    fn claims(changes: Value) -> Value {
        let mut claims = json!({"iss": DEVICE, "sub": DEVICE, "aud": AUDIENCE, "exp": now().as_second() + 300, "jti": "1"});
        for (name, change) in changes.as_object().unwrap() {
            if change.is_null() {
                claims.as_object_mut().unwrap().remove(name);
            } else {
                claims[name] = change.clone();
            }
        }
        claims
    }
    fn signed(header: &str, payload: &str) -> String {
        let input = format!(
            "{}.{}",
            URL_SAFE_NO_PAD.encode(header),
            URL_SAFE_NO_PAD.encode(payload)
        );
        let signature = URL_SAFE_NO_PAD.encode(pair().sign(input.as_bytes()).as_ref());
        format!("{input}.{signature}")
    }
    fn judged(text: &str) -> Result<(), AssertionRefusal> {
        Assertion::read(text)?.check(&public(), AUDIENCE, now())
    }
    const HEADER: &str = r#"{"alg":"EdDSA","typ":"JWT"}"#;

    #[test]
    fn one_that_the_device_made_for_us_and_for_now_is_good() {
        for header in [
            HEADER,
            r#"{"alg":"EdDSA"}"#,
            r#"{"typ":"jwt","kid":"1","alg":"EdDSA"}"#,
        ] {
            assert_eq!(
                judged(&signed(header, &claims(json!({})).to_string())),
                Ok(()),
                "{header}"
            );
        }
        let more = claims(json!({"nbf": now().as_second(), "iat": now().as_second(), "x": {"y": 1}}));
        assert_eq!(judged(&signed(HEADER, &more.to_string())), Ok(()));
    }

    #[test]
    fn another_algorithm_or_a_key_or_an_extension_in_the_header_is_refused() {
        for header in [
            r#"{"alg":"none"}"#,
            r#"{"alg":"None","typ":"JWT"}"#,
            r#"{"alg":"HS256","typ":"JWT"}"#,
            r#"{"alg":"ES256","typ":"JWT"}"#,
            r#"{"alg":"eddsa","typ":"JWT"}"#,
            r#"{"typ":"JWT"}"#,
            r#"{"alg":"EdDSA","typ":"at+jwt"}"#,
            r#"{"alg":"EdDSA","crit":["exp"],"exp":1}"#,
            r#"{"alg":"EdDSA","crit":[]}"#,
            r#"{"alg":"EdDSA","jwk":{"kty":"OKP","crv":"Ed25519","x":"11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"}}"#,
            r#"{"alg":"EdDSA","jku":"https://elsewhere.example/keys"}"#,
            r#"{"alg":"EdDSA","x5c":[]}"#,
            r#"{"alg":"EdDSA","b64":false}"#,
            r#"{"alg":"EdDSA","alg":"none"}"#,
            "[]",
            "",
        ] {
            let text = signed(header, &claims(json!({})).to_string());
            assert_eq!(judged(&text), Err(AssertionRefusal::Header), "{header}");
        }
    }

    #[test]
    fn one_of_another_device_for_another_or_by_another_key_is_refused() {
        let other = "01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a11";
        for changes in [
            json!({"iss": other}),
            json!({"sub": other}),
            json!({"aud": "https://elsewhere.example"}),
            json!({"aud": "https://clampward.test/"}),
            json!({"jti": ""}),
        ] {
            let text = signed(HEADER, &claims(changes.clone()).to_string());
            assert_eq!(judged(&text), Err(AssertionRefusal::Party), "{changes}");
        }
        let good = signed(HEADER, &claims(json!({})).to_string());
        let read = Assertion::read(&good).unwrap();
        assert_eq!(read.device().to_string(), DEVICE);
        let mut key = public();
        key[0] ^= 1;
        assert_eq!(
            read.check(&key, AUDIENCE, now()),
            Err(AssertionRefusal::Signature)
        );
        let (input, signature) = good.rsplit_once('.').unwrap();
        let longer = claims(json!({"exp": now().as_second() + 301}));
        let swapped = format!(
            "{}.{}.{signature}",
            input.split_once('.').unwrap().0,
            URL_SAFE_NO_PAD.encode(longer.to_string())
        );
        assert_eq!(judged(&swapped), Err(AssertionRefusal::Signature));
        let unsigned = format!("{input}.{}", URL_SAFE_NO_PAD.encode([0; 64]));
        assert_eq!(judged(&unsigned), Err(AssertionRefusal::Signature));
    }

    #[test]
    fn it_ends_within_five_minutes_give_or_take_one_for_the_clocks() {
        let second = now().as_second();
        for (changes, good) in [
            (json!({"exp": second - 59}), true),
            (json!({"exp": second - 60}), false),
            (json!({"exp": second + 360}), true),
            (json!({"exp": second + 361}), false),
            (json!({"exp": i64::MAX}), false),
            (json!({"exp": i64::MIN}), false),
            (json!({"nbf": second + 60}), true),
            (json!({"nbf": second + 61}), false),
        ] {
            let text = signed(HEADER, &claims(changes.clone()).to_string());
            let expected = if good {
                Ok(())
            } else {
                Err(AssertionRefusal::Times)
            };
            assert_eq!(judged(&text), expected, "{changes}");
        }
    }

    #[test]
    fn what_is_no_assertion_is_refused_unread() {
        let good = signed(HEADER, &claims(json!({})).to_string());
        let part = |payload: &str| signed(HEADER, payload);
        for text in [
            String::new(),
            "..".to_owned(),
            "a.b.c".to_owned(),
            good.replace('.', ""),
            format!("{good}."),
            format!("{good}.x"),
            format!("{good}="),
            format!(" {good}"),
            good.trim_end_matches(|letter| letter != '.').to_owned(),
            format!("{good}{}", "x".repeat(MAX_ASSERTION_BYTES)),
            part("{}"),
            part("[]"),
            part("null"),
            part(&claims(json!({"exp": null})).to_string()),
            part(&claims(json!({"exp": "1772352000"})).to_string()),
            part(&claims(json!({"exp": 1772352000.5})).to_string()),
            part(&claims(json!({"aud": [AUDIENCE]})).to_string()),
            part(&claims(json!({"sub": "tablet"})).to_string()),
            part(&claims(json!({"jti": null})).to_string()),
            part(&claims(json!({})).to_string().replacen('{', r#"{"sub":"x","#, 1)),
            part(&format!("{}{}", "[".repeat(1000), "]".repeat(1000))),
        ] {
            let refused = judged(&text).unwrap_err();
            let unread = matches!(refused, AssertionRefusal::Malformed | AssertionRefusal::Header);
            assert!(unread, "{refused:?}: {text}");
        }
    }
}
