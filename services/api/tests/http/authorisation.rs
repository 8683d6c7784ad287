//! Every operation of the contract, tried by every role and by nobody: the table of permissions is what holds.

mod matrix;
mod requests;

use crate::support::TestApp;
use clampward_api::openapi::{self, PERMISSION, PUBLIC};
use clampward_api::permission::TABLE;
use clampward_domain::words::Role;
use serde_json::{Value, json};

/// An id of nothing: whoever is let in finds nothing, or is told what is missing in the body.
const NOTHING: &str = "01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10";

/// Method, path with ids filled in, and the permission, of every operation that needs one.
fn operations() -> Vec<(&'static str, String, String)> {
    let document = openapi::document();
    let mut found = Vec::new();
    for (path, item) in &document.paths.paths {
        for (method, operation) in openapi::operations(item) {
            let named = operation
                .extensions
                .as_ref()
                .and_then(|all| all.get(PERMISSION))
                .and_then(Value::as_str);
            let permission = named.unwrap_or_default().to_owned();
            if permission == PUBLIC {
                continue;
            }
            let steps: Vec<&str> = path
                .split('/')
                .map(|step| if step.starts_with('{') { NOTHING } else { step })
                .collect();
            found.push((method, steps.join("/"), permission));
        }
    }
    found
}

#[actix_web::test]
async fn every_operation_lets_in_the_roles_of_its_permission_and_nobody_else() {
    let app = TestApp::start().await;
    let operations = operations();
    assert!(operations.len() >= 35, "{operations:?}");
    for (method, path, _) in &operations {
        let reply = app.call(method, path).json(&json!({})).send().await;
        assert_eq!(
            reply.status, 401,
            "{method} {path} without a token: {}",
            reply.body
        );
    }
    for role in Role::ALL {
        let token = if *role == Role::Device {
            let administrator = app.administrator().await;
            let yard = app.yard(&administrator, "PEL", json!({})).await;
            let device = app.device(&administrator, &[&yard]).await;
            app.device_token(&device).await
        } else {
            let named = format!("Only {role}");
            app.person(&named, &[role.code()], json!("all")).await.1
        };
        for (method, path, permission) in &operations {
            let row = TABLE
                .iter()
                .find(|row| row.name == permission)
                .expect("a row of the table");
            let reply = app.call(method, path).token(&token).json(&json!({})).send().await;
            let let_in = reply.body["code"] != "not-allowed";
            assert_eq!(
                let_in,
                row.roles.contains(role),
                "{method} {path} as {role}: {}",
                reply.body
            );
            assert_ne!(reply.status, 401, "{method} {path} as {role}");
            assert!(reply.status < 500, "{method} {path} as {role}: {}", reply.body);
        }
    }
    app.stop().await;
}
