//! Signing keys are replaced while the service runs, and a lost one is dropped at once.

use crate::support::{ADMINISTRATOR, ISSUER, TestApp};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use clampward_api::config::Limits;
use clampward_api::sign_in::{KeyRing, replace_key};
use clampward_store::Clock;
use jiff::{SignedDuration, Timestamp};
use serde_json::{Value, json};
use std::path::PathBuf;
use std::sync::Arc;

struct Folder(PathBuf);

impl Folder {
    fn new(name: &str) -> Self {
        let path = std::env::temp_dir().join(format!("clampward-keys-{}-{name}", std::process::id()));
        Self(path)
    }
    async fn service(&self) -> (TestApp, Arc<KeyRing>) {
        let start: Timestamp = "2025-03-14T09:00:00Z".parse().expect("an instant");
        let ring = KeyRing::open(&self.0, start).expect("a ring");
        (
            TestApp::start_with_keys(Arc::clone(&ring), Limits::default()).await,
            ring,
        )
    }
}
impl Drop for Folder {
    fn drop(&mut self) {
        drop(std::fs::remove_dir_all(&self.0));
    }
}

fn part(token: &str, index: usize) -> Value {
    let part = token.split('.').nth(index).expect("a part");
    serde_json::from_slice(&URL_SAFE_NO_PAD.decode(part).expect("base64url")).expect("JSON")
}
fn kid(token: &str) -> String {
    part(token, 0)["kid"].as_str().expect("a kid").to_owned()
}
async fn published(app: &TestApp) -> Vec<String> {
    let set = app
        .call("GET", "/.well-known/jwks.json")
        .send()
        .await
        .succeeded(200);
    assert_eq!(set.header("cache-control"), Some("public, max-age=300"));
    let keys = set.body["keys"].as_array().expect("keys");
    keys.iter()
        .map(|key| key["kid"].as_str().expect("a kid").to_owned())
        .collect()
}

#[actix_web::test]
async fn a_replaced_key_is_published_a_day_before_it_signs_and_the_old_one_verifies_until_its_tokens_are_over()
 {
    let folder = Folder::new("replaced");
    let (app, ring) = folder.service().await;
    let first = app.administrator().await;
    let old = kid(&first);
    assert_eq!(published(&app).await, std::slice::from_ref(&old));
    let day = SignedDuration::from_hours(24);
    let next = replace_key(&folder.0, app.clock.now(), day)
        .expect("replaced")
        .kid;
    assert!(ring.reload().expect("read"));
    assert_eq!(published(&app).await, [old.clone(), next.clone()]);
    app.clock.advance(day - SignedDuration::from_secs(1));
    let last = app.administrator().await;
    assert_eq!(kid(&last), old);
    app.clock.advance(SignedDuration::from_secs(1));
    let new = app.administrator().await;
    assert_eq!(kid(&new), next);
    for token in [&last, &new] {
        app.get(token, "/v1/me").await.succeeded(200);
    }
    app.clock.advance(SignedDuration::from_secs(17 * 60));
    assert_eq!(published(&app).await, [next]);
    app.get(&last, "/v1/me").await.refused(401, "not-signed-in");
    app.stop().await;
}

#[actix_web::test]
async fn a_key_that_is_gone_opens_nothing_whatever_is_signed_with_it() {
    let folder = Folder::new("gone");
    let (app, ring) = folder.service().await;
    let token = app.administrator().await;
    let old = ring.signing(app.clock.now()).expect("a key");
    app.clock.advance(SignedDuration::from_secs(1));
    replace_key(&folder.0, app.clock.now(), SignedDuration::ZERO).expect("replaced");
    assert!(ring.reload().expect("read"));
    app.clock.advance(SignedDuration::from_secs(17 * 60));
    // Somebody has a copy of the old key and signs with it still.
    let now = app.clock.now().as_second();
    let mut payload = part(&token, 1);
    (payload["iat"], payload["nbf"], payload["exp"]) = (json!(now), json!(now), json!(now + 900));
    assert_eq!(payload["iss"], ISSUER);
    let text = |value: Value| URL_SAFE_NO_PAD.encode(value.to_string());
    let input = format!("{}.{}", text(part(&token, 0)), text(payload));
    let signature = jsonwebtoken::crypto::sign(
        input.as_bytes(),
        old.key().private(),
        jsonwebtoken::Algorithm::EdDSA,
    );
    let forged = format!("{input}.{}", signature.expect("signed"));
    app.get(&forged, "/v1/me").await.refused(401, "not-signed-in");
    app.stop().await;
}

#[actix_web::test]
async fn a_lost_key_is_dropped_with_its_tokens_and_people_go_on_with_their_refresh_tokens() {
    let folder = Folder::new("lost");
    let (app, ring) = folder.service().await;
    let signed_in = app
        .try_sign_in(ADMINISTRATOR, &app.administrator_password)
        .await
        .succeeded(200);
    let token = signed_in.text("/access_token");
    app.get(&token, "/v1/me").await.succeeded(200);
    for file in std::fs::read_dir(&folder.0).expect("a folder") {
        std::fs::remove_file(file.expect("a file").path()).expect("removed");
    }
    let next = replace_key(&folder.0, app.clock.now(), SignedDuration::ZERO)
        .expect("replaced")
        .kid;
    assert!(ring.reload().expect("read"));
    assert_eq!(published(&app).await, std::slice::from_ref(&next));
    app.get(&token, "/v1/me").await.refused(401, "not-signed-in");
    let renewed = app
        .call("POST", "/v1/auth/refresh")
        .json(&json!({ "refresh_token": signed_in.text("/refresh_token") }))
        .send()
        .await
        .succeeded(200)
        .text("/access_token");
    assert_eq!(kid(&renewed), next);
    app.get(&renewed, "/v1/me").await.succeeded(200);
    app.stop().await;
}

#[actix_web::test]
async fn whoever_has_the_published_keys_already_is_told_so() {
    let folder = Folder::new("etag");
    let (app, _) = folder.service().await;
    let first = app
        .call("GET", "/.well-known/jwks.json")
        .send()
        .await
        .succeeded(200);
    let again = app
        .call("GET", "/.well-known/jwks.json")
        .header("If-None-Match", first.etag())
        .send()
        .await;
    assert_eq!(again.status, 304);
    app.stop().await;
}
