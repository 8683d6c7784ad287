//! What every answer has, and what is answered where no operation is.

use crate::support::{ADMINISTRATOR, TestApp};
use clampward_api::config::Limits;
use serde_json::json;

#[actix_web::test]
async fn health_readiness_and_contract_need_no_sign_in() {
    let app = TestApp::start().await;
    assert_eq!(
        app.call("GET", "/healthz").send().await.succeeded(200).body,
        json!({"status": "ok"})
    );
    assert_eq!(
        app.call("GET", "/readyz").send().await.succeeded(200).body,
        json!({"status": "ready"})
    );
    let contract = app.call("GET", "/openapi.json").send().await.succeeded(200);
    assert_eq!(contract.text("/openapi"), "3.1.0");
    app.stop().await;
}

#[actix_web::test]
async fn every_answer_has_an_id_of_ours_and_the_security_headers() {
    let app = TestApp::start().await;
    let first = app
        .call("GET", "/healthz")
        .header("X-Request-Id", "theirs")
        .send()
        .await;
    let second = app.call("GET", "/v1/nowhere").send().await;
    for reply in [&first, &second] {
        assert_ne!(reply.header("x-request-id"), Some("theirs"));
        assert_eq!(reply.header("x-content-type-options"), Some("nosniff"));
        assert_eq!(reply.header("cache-control"), Some("no-store"));
        assert_eq!(
            reply.header("content-security-policy"),
            Some("default-src 'none'; frame-ancestors 'none'")
        );
        // OWASP HTTP Headers Cheat Sheet.
        for (name, value) in [
            (
                "strict-transport-security",
                Some("max-age=63072000; includeSubDomains"),
            ),
            ("referrer-policy", Some("same-origin")),
            ("cross-origin-opener-policy", Some("same-origin")),
            ("cross-origin-resource-policy", Some("same-origin")),
            ("x-xss-protection", Some("0")),
            ("vary", Some("Accept, Accept-Encoding, Authorization")),
            ("server", None),
            ("x-powered-by", None),
        ] {
            assert_eq!(reply.header(name), value, "{name}");
        }
    }
    assert_ne!(first.header("x-request-id"), second.header("x-request-id"));
    app.stop().await;
}

#[actix_web::test]
async fn an_unknown_address_is_404_and_an_unknown_method_405_with_the_known_ones() {
    let app = TestApp::start().await;
    app.call("GET", "/v1/nowhere")
        .send()
        .await
        .refused(404, "not-found");
    app.call("GET", "/v1/users/a/b")
        .send()
        .await
        .refused(404, "not-found");
    for method in ["DELETE", "TRACE", "PUT"] {
        let reply = app.call(method, "/v1/users").send().await;
        reply.refused(405, "method-not-allowed");
        assert_eq!(reply.header("allow"), Some("GET, POST"), "{method}");
    }
    let one = app
        .call("DELETE", "/v1/users/01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10")
        .send()
        .await;
    assert_eq!(
        one.refused(405, "method-not-allowed").header("allow"),
        Some("GET, PATCH")
    );
    app.stop().await;
}

#[actix_web::test]
async fn every_limit_is_published_with_the_value_that_holds_here() {
    let app = TestApp::start().await;
    let reply = app.call("GET", "/v1/limits").send().await.succeeded(200);
    let items = reply.body["items"].as_array().expect("items");
    let expected = clampward_api::config::Limits::default().published();
    assert_eq!(reply.body["items"], json!(expected));
    assert!(
        items
            .iter()
            .any(|row| { row["name"] == "body_bytes" && row["value"] == 1 << 20 && row["unit"] == "bytes" })
    );
    app.stop().await;
}

#[actix_web::test]
async fn every_problem_has_a_help_page() {
    let app = TestApp::start().await;
    for kind in clampward_wire::problem::CODES {
        let page = app
            .call("GET", &format!("/problems/{}", kind.code))
            .send()
            .await
            .succeeded(200);
        assert_eq!(page.body["help"], kind.help);
    }
    app.call("GET", "/problems/no-such")
        .send()
        .await
        .refused(404, "not-found");
    app.stop().await;
}

#[actix_web::test]
async fn a_body_is_json_says_so_and_is_not_too_large() {
    let app = TestApp::start().await;
    let path = "/v1/auth/token";
    let good = json!({"email": "a@b.example", "password": "x"})
        .to_string()
        .into_bytes();
    app.call("POST", path)
        .raw(good.clone())
        .send()
        .await
        .refused(415, "unsupported-media-type");
    let latin = app
        .call("POST", path)
        .raw(good)
        .header("Content-Type", "application/json; charset=latin1");
    latin.send().await.refused(415, "unsupported-media-type");
    let json = |body: Vec<u8>| {
        app.call("POST", path)
            .raw(body)
            .header("Content-Type", "application/json")
            .send()
    };
    json(Vec::new())
        .await
        .refused(400, "malformed-json")
        .at("", "body-missing");
    json(b"{\"email\": ".to_vec())
        .await
        .refused(400, "malformed-json")
        .at("/email", "not-json");
    let large = format!("{{\"email\": \"{}\"}}", "a".repeat(1 << 20));
    json(large.into_bytes()).await.refused(413, "body-too-large");
    app.stop().await;
}

#[actix_web::test]
async fn a_field_that_is_unknown_missing_given_twice_or_of_another_type_is_named() {
    let app = TestApp::start().await;
    let json = |body: &str| {
        let call = app.call("POST", "/v1/auth/token").raw(body.as_bytes().to_vec());
        call.header("Content-Type", "application/json").send()
    };
    let extra = json(r#"{"email": "a@b.example", "password": "x", "passwrd": "y"}"#).await;
    extra
        .refused(422, "invalid-input")
        .at("/passwrd", "unknown-field");
    json(r#"{"email": "a@b.example"}"#)
        .await
        .refused(422, "invalid-input")
        .at("/password", "missing-field");
    json(r#"{"email": 7, "password": "x"}"#)
        .await
        .refused(422, "invalid-input")
        .at("/email", "wrong-type");
    let twice = json(r#"{"email": "a@b.example", "password": "x", "email": "c@d.example"}"#).await;
    twice.refused(400, "malformed-json").at("/email", "duplicate-key");
    let nul = json(r#"{"email": "a\u0000@b.example", "password": "x"}"#).await;
    nul.refused(400, "malformed-json").at("/email", "nul-character");
    app.stop().await;
}

#[actix_web::test]
async fn a_parameter_that_an_operation_does_not_know_is_refused_by_every_operation() {
    use clampward_api::openapi::{self, PERMISSION, PUBLIC};
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let document = openapi::document();
    let nothing = "01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10";
    for (path, item) in &document.paths.paths {
        for (method, operation) in openapi::operations(item) {
            let steps: Vec<&str> = path
                .split('/')
                .map(|step| if step.starts_with('{') { nothing } else { step })
                .collect();
            let path = format!("{}?as_off=2025-03-14", steps.join("/"));
            let reply = app
                .call(method, &path)
                .token(&administrator)
                .json(&json!({}))
                .send()
                .await;
            let permission = operation.extensions.as_ref().and_then(|all| all.get(PERMISSION));
            if reply.body["code"] == "not-allowed" && permission != Some(&json!(PUBLIC)) {
                continue;
            }
            reply.refused(400, "invalid-parameters");
            // An answer to HEAD has no body that could name it.
            if method != "HEAD" {
                reply.at("/as_off", "unknown-field");
            }
        }
    }
    app.stop().await;
}

#[actix_web::test]
async fn every_faulty_parameter_is_named_with_what_to_write() {
    let app = TestApp::start().await;
    let (_, token) = app.person("Jon Moe", &["yard_lead"], json!("all")).await;
    let reply = app
        .get(
            &token,
            "/v1/clamps?limit=many&yard=CLY&status=broken&fit=maybe&mark=HMW-1&colour=red",
        )
        .await;
    reply
        .refused(400, "invalid-parameters")
        .at("/limit", "invalid-value")
        .at("/yard", "invalid-value")
        .at("/status", "unknown-word")
        .at("/fit", "invalid-value")
        .at("/colour", "unknown-field");
    assert_eq!(reply.body["errors"].as_array().map(Vec::len), Some(5));
    for error in reply.body["errors"].as_array().expect("errors") {
        let detail = error["detail"].as_str().expect("a detail");
        for word in ["invalid digit", "UUID parsing", "variant", "provided string"] {
            assert!(!detail.contains(word), "{detail}");
        }
    }
    app.get(&token, "/v1/clamps?fit=true&fit=false")
        .await
        .refused(400, "invalid-parameters");
    app.get(&token, "/v1/fitness")
        .await
        .refused(400, "invalid-parameters")
        .at("/mark", "missing-field");
    app.get(&token, "/v1/clamps?reason=too_old")
        .await
        .refused(400, "invalid-parameters")
        .at("/reason", "unknown-word");
    app.get(&token, "/v1/clamps?reason=dropped").await.succeeded(200);
    app.get(&token, "/v1/clamps?reason=shackle_eye_worn")
        .await
        .succeeded(200);
    let nothing = "01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10";
    app.get(&token, &format!("/v1/clamps/{nothing}/wear?criterion=eye"))
        .await
        .refused(400, "invalid-parameters")
        .at("/criterion", "unknown-word");
    app.get(&token, "/v1/clamps/HMW-1")
        .await
        .refused(400, "invalid-parameters")
        .at("/clamp_id", "invalid-value");
    app.stop().await;
}

fn gzip(bytes: &[u8]) -> Vec<u8> {
    use std::io::Write;
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
    encoder.write_all(bytes).expect("memory");
    encoder.finish().expect("memory")
}

fn zstd(bytes: &[u8]) -> Vec<u8> {
    zstd::encode_all(bytes, 19).expect("memory")
}

#[actix_web::test]
async fn a_compressed_body_is_read_and_what_it_inflates_to_is_bounded() {
    let app = TestApp::start().await;
    let send = |coding: &str, body: Vec<u8>| {
        app.call("POST", "/v1/auth/token")
            .raw(body)
            .header("Content-Type", "application/json")
            .header("Content-Encoding", coding)
            .send()
    };
    let good = json!({"email": "nobody@halvorsund.example", "password": "not the right one"});
    let good = good.to_string().into_bytes();
    for (coding, body) in [
        ("gzip", gzip(&good)),
        ("zstd", zstd(&good)),
        ("identity", good.clone()),
    ] {
        send(coding, body).await.refused(401, "wrong-credentials");
    }
    let bomb = vec![0; 10 << 20];
    for (coding, body) in [("gzip", gzip(&bomb)), ("zstd", zstd(&bomb))] {
        assert!(body.len() < 20 << 10, "{coding}: a small body that becomes large");
        send(coding, body).await.refused(413, "body-too-large");
    }
    for coding in ["br", "deflate", "gzip, gzip"] {
        let refused = send(coding, good.clone()).await;
        refused.refused(415, "unsupported-media-type");
        assert_eq!(refused.header("accept-encoding"), Some("gzip, zstd, identity"));
    }
    // Said to be compressed, and it is not.
    send("gzip", good.clone()).await.refused(400, "malformed-json");
    app.stop().await;
}

#[actix_web::test]
async fn answers_are_compressed_as_the_client_accepts_it_and_small_ones_never() {
    let app = TestApp::start().await;
    let client = awc::Client::default();
    let fetch = async |path: &str, accepts: &str| {
        let request = client.get(format!("{}{path}", app.url)).no_decompress();
        let mut response = request
            .insert_header(("Accept-Encoding", accepts))
            .send()
            .await
            .expect("an answer");
        let header = |name: &str| Some(response.headers().get(name)?.to_str().ok()?.to_owned());
        let (coding, vary) = (header("content-encoding"), header("vary"));
        assert_eq!(response.headers().get_all("vary").count(), 1);
        assert_eq!(vary.as_deref(), Some("Accept, Accept-Encoding, Authorization"));
        let body = response.body().limit(8 << 20).await.expect("a body");
        (coding, body.to_vec())
    };
    let (coding, plain) = fetch("/v1/limits", "identity").await;
    assert_eq!(coding, None);
    assert!(plain.len() > 1 << 10);
    let (coding, body) = fetch("/v1/limits", "zstd").await;
    assert_eq!(coding.as_deref(), Some("zstd"));
    assert_eq!(zstd::decode_all(body.as_slice()).expect("zstd"), plain);
    let (coding, body) = fetch("/v1/limits", "gzip;q=0.8, br").await;
    assert_eq!(coding.as_deref(), Some("gzip"));
    let mut inflated = Vec::new();
    let mut decoder = flate2::read::GzDecoder::new(body.as_slice());
    std::io::Read::read_to_end(&mut decoder, &mut inflated).expect("gzip");
    assert_eq!(inflated, plain);
    let (coding, body) = fetch("/healthz", "zstd, gzip").await;
    assert_eq!(
        (coding, body.as_slice()),
        (None, br#"{"status":"ok"}"#.as_slice())
    );
    app.stop().await;
}

#[actix_web::test]
async fn an_address_and_headers_have_their_limits() {
    let app = TestApp::start().await;
    let long = format!("/v1/yards?after={}", "a".repeat(8 << 10));
    app.call("GET", &long)
        .send()
        .await
        .refused(414, "address-too-long");
    let large = "a".repeat(16 << 10);
    app.call("GET", "/healthz")
        .header("X-Whatever", &large)
        .send()
        .await
        .refused(431, "headers-too-large");
    app.stop().await;
}

#[actix_web::test]
async fn on_a_schema_that_is_too_old_the_service_is_not_ready_but_alive() {
    let app = TestApp::start().await;
    app.as_owner("delete from _sqlx_migrations where version = (select max(version) from _sqlx_migrations)")
        .await;
    app.call("GET", "/readyz")
        .send()
        .await
        .refused(503, "unavailable");
    app.call("GET", "/healthz").send().await.succeeded(200);
    app.stop().await;
}

// Goal: whoever begins requests without saying who they are takes nothing from those who record. Method: sign-ins whose
// bodies never end hold every place of their class.
#[actix_web::test]
async fn unfinished_bodies_of_sign_ins_take_no_place_from_writes() {
    let limits = Limits {
        sign_ins: 3,
        writes: 3,
        ..Limits::default()
    };
    let app = TestApp::start_with(limits).await;
    let token = app.administrator().await;
    let address = app.url.trim_start_matches("http://").to_owned();
    let mut unfinished = Vec::new();
    let mut refused = 0;
    // One after another: a sign-in that is still being done may have a place that one of them was refused for.
    for _ in 0..50 {
        let mut connection = std::net::TcpStream::connect(&address).expect("a connection");
        let head = "POST /v1/auth/token HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\nContent-Length: 100\r\n\r\n{";
        std::io::Write::write_all(&mut connection, head.as_bytes()).expect("sent");
        unfinished.push(connection);
        let reply = app.try_sign_in(ADMINISTRATOR, &app.administrator_password).await;
        if reply.status == 503 {
            reply.refused(503, "overloaded");
            assert_eq!(reply.body["class"], "sign_in");
            refused += 1;
            break;
        }
    }
    assert_eq!(refused, 1, "every place of the class is held");
    app.get(&token, "/v1/me").await.succeeded(200);
    app.yard(&token, "NWH", json!({})).await;
    drop(unfinished);
    app.stop().await;
}
