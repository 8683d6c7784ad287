//! People: who records them, and that a change acts at once.

use crate::support::TestApp;
use serde_json::json;

#[actix_web::test]
async fn only_an_administrator_records_people_and_nobody_sees_the_input_checked_before_being_let_in() {
    let app = TestApp::start().await;
    let (_, inspector) = app.person("Mara Lind", &["inspector"], json!("all")).await;
    app.post(&inspector, "/v1/users", &json!({"wrong": 1}))
        .await
        .refused(403, "not-allowed");
    app.call("POST", "/v1/users")
        .json(&json!({"wrong": 1}))
        .send()
        .await
        .refused(401, "not-signed-in");
    app.get(&inspector, "/v1/users").await.refused(403, "not-allowed");
    app.get(&inspector, "/v1/users/no-id")
        .await
        .refused(403, "not-allowed");
    app.stop().await;
}

#[actix_web::test]
async fn faulty_particulars_are_all_named() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let nowhere = "01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10";
    let new = json!({"email": "no address", "name": " ", "roles": [], "yards": [nowhere]});
    let reply = app.post(&administrator, "/v1/users", &new).await;
    reply
        .refused(422, "invalid-input")
        .at("/email", "invalid-email")
        .at("/name", "invalid-name")
        .at("/roles", "role-missing")
        .at("/yards/0", "unknown-yard");
    let word = json!({"email": "a@b.example", "name": "A", "roles": ["boss"], "yards": "all"});
    app.post(&administrator, "/v1/users", &word)
        .await
        .refused(422, "invalid-input")
        .at("/roles/0", "unknown-word");
    app.stop().await;
}

#[actix_web::test]
async fn an_address_is_one_persons_alone_whatever_its_case() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let new =
        |email: &str| json!({"email": email, "name": "Tor Vik", "roles": ["inspector"], "yards": "all"});
    app.post(&administrator, "/v1/users", &new("tor.vik@halvorsund.example"))
        .await
        .succeeded(201);
    app.post(&administrator, "/v1/users", &new("Tor.Vik@Halvorsund.example"))
        .await
        .refused(409, "email-taken");
    app.stop().await;
}

#[actix_web::test]
async fn a_change_of_roles_acts_on_tokens_that_were_handed_out_before() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let (id, token) = app.person("Mara Lind", &["inspector"], json!("all")).await;
    app.get(&token, "/v1/users").await.refused(403, "not-allowed");
    let path = format!("/v1/users/{id}");
    let read = app.get(&administrator, &path).await.succeeded(200);
    let change = |etag: &str, body: &serde_json::Value| {
        app.call("PATCH", &path)
            .token(&administrator)
            .header("If-Match", etag)
            .json(body)
            .send()
    };
    change(read.etag(), &json!({"roles": ["auditor"]}))
        .await
        .succeeded(200);
    app.get(&token, "/v1/users").await.succeeded(200);
    let read = app.get(&administrator, &path).await.succeeded(200);
    change(read.etag(), &json!({"enabled": false}))
        .await
        .succeeded(200);
    app.get(&token, "/v1/users").await.refused(401, "not-signed-in");
    app.try_sign_in("mara.lind@halvorsund.example", "the password of Mara Lind")
        .await
        .refused(401, "wrong-credentials");
    app.stop().await;
}

#[actix_web::test]
async fn a_change_says_which_version_it_changes() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let (id, _) = app.person("Mara Lind", &["inspector"], json!("all")).await;
    let path = format!("/v1/users/{id}");
    let change = || {
        app.call("PATCH", &path)
            .token(&administrator)
            .json(&json!({"name": "Mara Lindqvist"}))
    };
    change().send().await.refused(428, "version-missing");
    change()
        .header("If-Match", "\"another\"")
        .send()
        .await
        .refused(412, "version-stale");
    let read = app.get(&administrator, &path).await.succeeded(200);
    let changed = change()
        .header("If-Match", read.etag())
        .send()
        .await
        .succeeded(200);
    assert_eq!(
        (&changed.body["version"], &changed.body["name"]),
        (&json!(2), &json!("Mara Lindqvist"))
    );
    change()
        .header("If-Match", read.etag())
        .send()
        .await
        .refused(412, "version-stale");
    let unchanged = app
        .call("GET", &path)
        .token(&administrator)
        .header("If-None-Match", changed.etag())
        .send()
        .await;
    assert_eq!(unchanged.status, 304);
    assert_eq!(unchanged.etag(), changed.etag());
    app.stop().await;
}

#[actix_web::test]
async fn people_are_listed_in_pages_that_name_what_follows() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    for name in ["Mara Lind", "Tor Vik"] {
        app.person(name, &["inspector"], json!("all")).await;
    }
    let mut names = Vec::new();
    let mut path = "/v1/users?limit=2".to_owned();
    loop {
        let page = app.get(&administrator, &path).await.succeeded(200);
        let items = page.body["items"].as_array().expect("items").clone();
        assert!(items.len() <= 2);
        names.extend(
            items
                .iter()
                .map(|item| item["name"].as_str().unwrap_or_default().to_owned()),
        );
        match page.body["next"].as_str() {
            Some(next) => path = format!("/v1/users?limit=2&after={next}"),
            None => break,
        }
    }
    names.sort();
    assert_eq!(names, ["Ada Berg", "Mara Lind", "Tor Vik"]);
    app.get(&administrator, "/v1/users?limit=0")
        .await
        .refused(400, "invalid-parameters")
        .at("/limit", "out-of-range");
    app.get(&administrator, "/v1/users?after=x")
        .await
        .refused(400, "invalid-parameters")
        .at("/after", "invalid-key");
    let typo = app.get(&administrator, "/v1/users?limt=2").await;
    typo.refused(400, "invalid-parameters")
        .at("/limt", "unknown-field");
    app.get(&administrator, "/v1/users/no-id")
        .await
        .refused(400, "invalid-parameters");
    app.stop().await;
}

#[actix_web::test]
async fn nobody_changes_their_own_roles_yards_or_access_but_their_name_and_address() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let me = app.get(&administrator, "/v1/me").await.succeeded(200);
    let path = format!("/v1/users/{}", me.text("/id"));
    for change in [
        json!({"roles": ["administrator", "safety"]}),
        json!({"yards": []}),
        json!({"enabled": false}),
        json!({"name": "Ada Bergen", "roles": ["administrator", "yard_lead"]}),
    ] {
        app.patch(&administrator, &path, me.etag(), &change)
            .await
            .refused(403, "own-grants");
    }
    let change = json!({"name": "Ada Bergen", "email": "ada.bergen@halvorsund.example"});
    let changed = app
        .patch(&administrator, &path, me.etag(), &change)
        .await
        .succeeded(200);
    assert_eq!(
        (&changed.body["name"], &changed.body["roles"]),
        (&json!("Ada Bergen"), &json!(["administrator"]))
    );
    app.stop().await;
}
