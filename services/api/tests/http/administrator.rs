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
