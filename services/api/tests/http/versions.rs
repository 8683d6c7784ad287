//! Versions of single resources: ETag, 304, and changes that name what they change. The operations come from the
//! published contract, so that a new one is tried by itself.

use crate::support::TestApp;
use crate::trade::Fleet;
use serde_json::{Value, json};

/// A path of the contract with ids that exist, as far as this company has them.
fn filled(fleet: &Fleet, clamp: &str, account: &str, path: &str) -> Option<String> {
    let path = path.replace("{clamp_id}", clamp);
    let id = if path.starts_with("/v1/users/") {
        &fleet.keeper.id
    } else if path.starts_with("/v1/yards/") {
        &fleet.newport
    } else if path.starts_with("/v1/models/") {
        &fleet.model
    } else if path.starts_with("/v1/service-accounts/") {
        account
    } else {
        ""
    };
    let path = path.replace("{id}", id);
    (!path.contains('{') && !path.contains("//") && !path.ends_with('/')).then_some(path)
}

async fn service_account(fleet: &Fleet) -> String {
    let new = json!({"name": "Plant ERP", "yards": "all"});
    let created = fleet
        .post(&fleet.administrator, "/v1/service-accounts", &new)
        .await
        .succeeded(201);
    created.text("/id")
}

async fn operations(app: &TestApp, method: &str) -> Vec<(String, Value)> {
    let contract = app.call("GET", "/openapi.json").send().await.succeeded(200);
    let paths = contract.body["paths"].as_object().cloned().expect("paths");
    let has = |(path, item): (String, Value)| {
        let operation = item[method].clone();
        operation.is_object().then_some((path, operation))
    };
    paths.into_iter().filter_map(has).collect()
}

/// A change that each resource takes.
fn change(path: &str) -> Value {
    match path {
        _ if path.starts_with("/v1/models/") => json!({"stack_lifting": true}),
        _ => json!({"name": "Another name"}),
    }
}

#[actix_web::test]
async fn every_change_of_reference_data_demands_the_version_that_it_changes() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("4711").await;
    let token = fleet.token(&fleet.administrator);
    let account = service_account(&fleet).await;
    let mut tried = 0;
    for (path, operation) in operations(&fleet.app, "patch").await {
        // A piece of a photo is added to what is there; nobody's change can be lost.
        if operation["operationId"] == "upload_photo" {
            continue;
        }
        let parameters = operation["parameters"].as_array().cloned().unwrap_or_default();
        let named = |parameter: &Value| parameter["name"] == "If-Match" && parameter["in"] == "header";
        assert!(
            parameters.iter().any(named),
            "PATCH {path} does not publish If-Match"
        );
        let Some(path) = filled(&fleet, &clamp, &account, &path) else {
            continue;
        };
        let body = change(&path);
        let before = fleet.app.stored().await;
        let none = fleet
            .app
            .call("PATCH", &path)
            .token(&token)
            .json(&body)
            .send()
            .await;
        none.refused(428, "version-missing");
        let first = fleet.app.get(&token, &path).await.succeeded(200);
        for stale in ["\"x\"", "W/\"x\"", "x", "\"\""] {
            let refused = fleet.app.patch(&token, &path, stale, &body).await;
            refused.refused(412, "version-stale");
        }
        assert_eq!(fleet.app.stored().await, before, "{path}");
        let changed = fleet
            .app
            .patch(&token, &path, first.etag(), &body)
            .await
            .succeeded(200);
        assert_ne!(changed.etag(), first.etag(), "{path}");
        let again = fleet.app.patch(&token, &path, first.etag(), &body).await;
        again.refused(412, "version-stale");
        let read = fleet.app.get(&token, &path).await.succeeded(200);
        assert_eq!(
            read.etag(),
            changed.etag(),
            "{path}: the change answers the version that is read next"
        );
        tried += 1;
    }
    assert!(tried >= 4, "{tried}");
    fleet.stop().await;
}

/// Goal: whoever has a resource's bytes need not load them again; but an answer about fitness is never revalidated.
#[actix_web::test]
async fn every_single_resource_has_a_version_and_is_not_sent_twice() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("4711").await;
    let token = fleet.token(&fleet.administrator);
    let account = service_account(&fleet).await;
    let mut tried = 0;
    for (path, operation) in operations(&fleet.app, "get").await {
        let Some(path) = filled(&fleet, &clamp, &account, &path) else {
            continue;
        };
        let published = operation["responses"]["304"].is_object();
        let changes = path.starts_with("/v1/yards/") || path.starts_with("/v1/models/");
        let is_account = path == format!("/v1/users/{}", fleet.keeper.id);
        assert!(published || !(changes || is_account), "{path} publishes no 304");
        if !published {
            continue;
        }
        let first = fleet.app.get(&token, &path).await;
        if first.status == 403 || first.status == 400 {
            // Another permission, or parameters that have to be given: tried where the operation is.
            continue;
        }
        let first = first.succeeded(200);
        let known = async |tag: &str| {
            let call = fleet.app.call("GET", &path).token(&token);
            call.header("If-None-Match", tag).send().await
        };
        for tag in [
            first.etag().to_owned(),
            format!("\"x\", {}", first.etag()),
            "*".to_owned(),
        ] {
            let unchanged = known(&tag).await;
            assert_eq!(
                (unchanged.status, unchanged.bytes.len()),
                (304, 0),
                "{path}: {tag}"
            );
            assert_eq!(unchanged.etag(), first.etag(), "{path}");
        }
        assert_eq!(known("\"x\"").await.status, 200, "{path}");
        tried += 1;
    }
    assert!(tried >= 4, "{tried}");
    for path in [
        format!("/v1/clamps/{clamp}/fitness"),
        "/v1/fitness?mark=HMW-4711".to_owned(),
    ] {
        let fitness = fleet.get(&fleet.operator, &path).await.succeeded(200);
        assert_eq!(fitness.header("etag"), None, "{path}");
        assert_eq!(fitness.header("cache-control"), Some("no-store"), "{path}");
    }
    let lift = fleet
        .lift(&fleet.operator, &[&clamp], json!({}))
        .await
        .succeeded(200);
    assert_eq!(lift.header("etag"), None);
    assert_eq!(lift.header("cache-control"), Some("no-store"));
    fleet.stop().await;
}
