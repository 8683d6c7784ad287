//! What is no access token of ours opens nothing, however good it looks: each is well signed unless it says otherwise.

use crate::support::{ISSUER, SECRET, TestApp};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use clampward_api::sign_in::SigningKey;
use clampward_store::Clock;
use jsonwebtoken::Algorithm;
use serde_json::{Value, json};

struct Forge {
    key: SigningKey,
    header: Value,
    payload: Value,
    now: i64,
}

impl Forge {
    fn of(app: &TestApp, token: &str) -> Self {
        let key = SigningKey::from_secret(&SECRET).expect("key");
        let payload = token.split('.').nth(1).expect("a payload");
        let payload: Value =
            serde_json::from_slice(&URL_SAFE_NO_PAD.decode(payload).expect("base64url")).expect("JSON");
        assert_eq!(payload["iss"], ISSUER);
        Self {
            header: json!({ "alg": "EdDSA", "typ": "at+jwt", "kid": key.name() }),
            payload,
            now: app.clock.now().as_second(),
            key,
        }
    }
    fn signed_text(&self, header: &str, payload: &str, key: &SigningKey) -> String {
        let input = format!(
            "{}.{}",
            URL_SAFE_NO_PAD.encode(header),
            URL_SAFE_NO_PAD.encode(payload)
        );
        let signature = jsonwebtoken::crypto::sign(input.as_bytes(), key.private(), Algorithm::EdDSA);
        format!("{input}.{}", signature.expect("signed"))
    }
    /// With other members in its header; null takes one away.
    fn header(&self, changes: Value) -> String {
        let header = changed(&self.header, changes);
        self.signed_text(&header.to_string(), &self.payload.to_string(), &self.key)
    }
    /// With other claims; null takes one away.
    fn claims(&self, changes: Value) -> String {
        let payload = changed(&self.payload, changes);
        self.signed_text(&self.header.to_string(), &payload.to_string(), &self.key)
    }
    /// Signed by HMAC over SHA-256 with some bytes as the secret.
    fn hmac(&self, secret: &[u8]) -> String {
        let header = changed(&self.header, json!({"alg": "HS256"})).to_string();
        let payload = self.payload.to_string();
        let input = format!(
            "{}.{}",
            URL_SAFE_NO_PAD.encode(header),
            URL_SAFE_NO_PAD.encode(payload)
        );
        let mac = hmac_sha256(secret, input.as_bytes());
        format!("{input}.{}", URL_SAFE_NO_PAD.encode(mac))
    }
    /// Without a signature.
    fn unsigned(&self, algorithm: &str) -> String {
        let header = changed(&self.header, json!({ "alg": algorithm })).to_string();
        let payload = self.payload.to_string();
        format!(
            "{}.{}.",
            URL_SAFE_NO_PAD.encode(header),
            URL_SAFE_NO_PAD.encode(payload)
        )
    }
    /// With a member or claim given twice, the good one last.
    fn twice(&self, which: &str, member: &str) -> String {
        let double = |value: &Value| value.to_string().replacen('{', &format!("{{{member},"), 1);
        let (header, payload) = match which {
            "header" => (double(&self.header), self.payload.to_string()),
            _ => (self.header.to_string(), double(&self.payload)),
        };
        self.signed_text(&header, &payload, &self.key)
    }
}

fn changed(value: &Value, changes: Value) -> Value {
    let mut value = value.clone();
    for (name, change) in changes.as_object().expect("an object") {
        match change {
            Value::Null => drop(value.as_object_mut().expect("an object").remove(name)),
            change => value[name] = change.clone(),
        }
    }
    value
}

// RFC 2104 over SHA-256, written out so that the service's own crates are not asked about themselves.
fn hmac_sha256(key: &[u8], message: &[u8]) -> Vec<u8> {
    use sha2::{Digest, Sha256};
    assert!(key.len() <= 64, "a longer key would be hashed first");
    let pad = |with: u8| -> Vec<u8> {
        (0..64)
            .map(|index| key.get(index).copied().unwrap_or(0) ^ with)
            .collect()
    };
    let inner = Sha256::new()
        .chain_update(pad(0x36))
        .chain_update(message)
        .finalize();
    Sha256::new()
        .chain_update(pad(0x5c))
        .chain_update(inner)
        .finalize()
        .to_vec()
}

// Source: RFC 4231 section 4.3 (test case 2).
#[test]
fn the_forgers_hmac_is_right() {
    let mac = hmac_sha256(b"Jefe", b"what do ya want for nothing?");
    let hex: String = mac.iter().map(|byte| format!("{byte:02x}")).collect();
    assert_eq!(
        hex,
        "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    );
}

// Sources: RFC 8725 sections 2.1, 3.1, 3.10 and 3.11 (algorithms, critical headers, keys in headers, types), RFC 9068 section 2
// (type and claims), RFC 7515 section 4 (a member given twice) and appendix A.1, RFC 7519 sections 4.1 and 6.1.
#[actix_web::test]
async fn tokens_that_are_not_ours_open_nothing() {
    let app = TestApp::start().await;
    let token = app.administrator().await;
    let forge = Forge::of(&app, &token);
    let now = forge.now;
    let public = app
        .call("GET", "/.well-known/jwks.json")
        .send()
        .await
        .succeeded(200);
    assert_eq!(public.text("/keys/0/kid"), forge.key.name());
    let public_text = public.text("/keys/0/x");
    let public_bytes = URL_SAFE_NO_PAD.decode(&public_text).expect("base64url");
    let other_key = SigningKey::from_secret(&[43; 32]).expect("key");
    let (header, payload) = (forge.header.to_string(), forge.payload.to_string());
    let stranger = json!("01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10");
    let forged = [
        ("alg none", forge.unsigned("none")),
        ("alg None", forge.unsigned("None")),
        ("no signature", forge.unsigned("EdDSA")),
        ("HS256 with the public key's bytes", forge.hmac(&public_bytes)),
        ("HS256 with the public key's text", forge.hmac(public_text.as_bytes())),
        ("HS256 said, EdDSA signed", forge.header(json!({"alg": "HS256"}))),
        ("another algorithm", forge.header(json!({"alg": "ES256"}))),
        ("typ JWT", forge.header(json!({"typ": "JWT"}))),
        ("no typ", forge.header(json!({"typ": null}))),
        ("kid of nobody", forge.header(json!({"kid": "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k"}))),
        ("no kid", forge.header(json!({"kid": null}))),
        ("crit", forge.header(json!({"crit": ["exp"], "exp": 1}))),
        ("jku", forge.header(json!({"jku": "https://clampward.test/keys"}))),
        ("jwk", forge.header(json!({"jwk": serde_json::to_value(other_key.jwk()).expect("JSON")}))),
        ("alg twice", forge.twice("header", "\"alg\":\"none\"")),
        ("kid twice", forge.twice("header", "\"kid\":\"another\"")),
        ("sub twice", forge.twice("payload", "\"sub\":\"01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10\"")),
        ("exp twice", forge.twice("payload", "\"exp\":9999999999")),
        ("our kid, another key", forge.signed_text(&header, &payload, &other_key)),
        ("aud of another", forge.claims(json!({"aud": "another"}))),
        ("aud beside another", forge.claims(json!({"aud": ["clampward", "another"]}))),
        ("no aud", forge.claims(json!({"aud": null}))),
        ("iss of another", forge.claims(json!({"iss": "https://another.test"}))),
        ("no iss", forge.claims(json!({"iss": null}))),
        ("expired by 61 s", forge.claims(json!({"exp": now - 61}))),
        ("expired by 60 s", forge.claims(json!({"exp": now - 60}))),
        ("no exp", forge.claims(json!({"exp": null}))),
        ("exp as text", forge.claims(json!({"exp": "9999999999"}))),
        ("valid in 61 s", forge.claims(json!({"nbf": now + 61}))),
        ("no nbf", forge.claims(json!({"nbf": null}))),
        ("no jti", forge.claims(json!({"jti": null}))),
        ("sub of nobody", forge.claims(json!({"sub": stranger}))),
        ("session of nobody", forge.claims(json!({"sid": stranger}))),
        ("no session", forge.claims(json!({"sid": null}))),
        ("grants of a later version", forge.claims(json!({"grants_version": 99}))),
        ("5 KiB long", forge.claims(json!({"more": "x".repeat(5 * 1024 * 3 / 4)}))),
        (
            "RFC 7515 A.1",
            "eyJ0eXAiOiJKV1QiLA0KICJhbGciOiJIUzI1NiJ9.eyJpc3MiOiJqb2UiLA0KICJleHAiOjEzMDA4MTkzODAsDQogImh0dHA6Ly9leGFtcG\
             xlLmNvbS9pc19yb290Ijp0cnVlfQ.dBjftJeZ4CVP-mB92K27uhbUJU1p1r_wW1gFWFOEjXk"
                .to_owned(),
        ),
        ("one letter more", format!("{token}x")),
        ("four parts", format!("{token}.x")),
        ("the payload alone", token.split('.').nth(1).expect("a payload").to_owned()),
        ("nothing", String::new()),
    ];
    for (what, token) in &forged {
        let reply = app.get(token, "/v1/me").await;
        assert_eq!(
            (reply.status, reply.body["code"].as_str()),
            (401, Some("not-signed-in")),
            "{what}: {}",
            reply.body
        );
        assert_eq!(reply.header("www-authenticate"), Some("Bearer"), "{what}");
    }
    // The forge itself is good: what differs from these alone is what was refused.
    for good in [
        forge.claims(json!({})),
        forge.claims(json!({"exp": now - 59})),
        forge.claims(json!({"nbf": now + 60})),
        forge.claims(json!({"more": "x".repeat(2048)})),
    ] {
        app.get(&good, "/v1/me").await.succeeded(200);
    }
    app.stop().await;
}

#[actix_web::test]
async fn a_token_is_sent_once_in_the_header_and_nowhere_else() {
    let app = TestApp::start().await;
    let token = app.administrator().await;
    let none = app.call("GET", "/v1/me").send().await;
    none.refused(401, "not-signed-in");
    let twice = app.call("GET", "/v1/me").token(&token).token(&token).send().await;
    twice.refused(401, "not-signed-in");
    for (name, value) in [
        ("Authorization", token.clone()),
        ("Authorization", format!("Basic {token}")),
        ("Authorization", format!("Bearer {token} {token}")),
        ("Cookie", format!("access_token={token}")),
    ] {
        let reply = app.call("GET", "/v1/me").header(name, &value).send().await;
        reply.refused(401, "not-signed-in");
    }
    // Sources: RFC 6750 section 5.3 and OWASP ASVS 5.0 section 14.2.1: never in the address.
    let in_the_address = app
        .call("GET", &format!("/v1/me?access_token={token}"))
        .token(&token)
        .send()
        .await;
    in_the_address.refused(400, "invalid-parameters");
    app.call("GET", "/v1/me")
        .header("Authorization", &format!("bearer {token}"))
        .send()
        .await
        .succeeded(200);
    app.stop().await;
}
