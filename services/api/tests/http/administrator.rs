//! The first administrator, and that the whole stays verifiable.

use crate::support::TestApp;
use clampward_api::commands::{NewAdministrator, create_administrator};
use clampward_store::{Store, StoreOptions};

fn another(app: &TestApp, force: bool) -> NewAdministrator {
    NewAdministrator {
        database_url: app.database.service_url.clone(),
        email: "Eva.Holm@halvorsund.example".to_owned(),
        name: "Eva Holm".to_owned(),
        another: force,
    }
}

#[actix_web::test]
async fn a_second_administrator_is_recorded_only_when_asked_for_by_name() {
    let app = TestApp::start().await;
    let refused = create_administrator(another(&app, false), app.clock.clone()).await;
    assert!(
        refused
            .expect_err("refused")
            .to_string()
            .contains("--force-another")
    );
    let password = create_administrator(another(&app, true), app.clock.clone())
        .await
        .expect("recorded");
    app.sign_in("eva.holm@halvorsund.example", &password).await;
    app.stop().await;
}

#[actix_web::test]
async fn reference_data_are_rows_of_the_ledger_that_verify() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    app.yard(&administrator, "CLY", serde_json::json!({})).await;
    app.person("Mara Lind", &["inspector"], serde_json::json!("all"))
        .await;
    let options = StoreOptions {
        url: app.database.service_url.clone(),
        max_connections: 1,
        clock: app.clock.clone(),
    };
    let store = Store::connect(options).await.expect("a store");
    let report = store.verify().await.expect("a report");
    store.close().await;
    assert!(report.is_clean(), "{report:?}");
    // The administrator, the yard, the inspector.
    assert_eq!((report.rows, report.streams), (3, 3));
    app.stop().await;
}

// Goal: nobody finds a way in that nobody made. Method: the database as it is after the migrations, and the passwords that
// the invented fleet signs in with.
#[actix_web::test]
async fn a_fresh_database_opens_for_nobody_and_the_invented_fleets_passwords_open_nothing() {
    let database = clampward_testkit::TestDatabase::new().await;
    let mut owner = <sqlx::PgConnection as sqlx::Connection>::connect(&database.owner_url)
        .await
        .expect("the owner");
    for table in [
        "person",
        "credential",
        "set_password_token",
        "session_family",
        "refresh_token",
        "service_secret",
    ] {
        let count = sqlx::AssertSqlSafe(format!("select count(*) from {table}"));
        let rows: i64 = sqlx::query_scalar(count)
            .fetch_one(&mut owner)
            .await
            .expect("a count");
        assert_eq!(rows, 0, "{table}");
    }
    let app = TestApp::start().await;
    for key in ["administrator", "safety", "erp"] {
        let email = format!("{key}@halvorsund.example");
        for password in [format!("demo only: {key}"), "admin".to_owned(), String::new()] {
            app.try_sign_in(&email, &password)
                .await
                .refused(401, "wrong-credentials");
        }
    }
    app.stop().await;
}
