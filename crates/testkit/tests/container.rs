//! A container serves the tests wherever an image is named and an engine can be reached, as in CI.
#![cfg(feature = "containers")]

use clampward_testkit::server::{IMAGE_VARIABLE, Kind, TestServer};
use sqlx::{Connection, PgConnection};

#[tokio::test]
async fn a_named_image_is_used_and_gone_afterwards() {
    let image = std::env::var_os(IMAGE_VARIABLE).and_then(|name| name.into_string().ok());
    let Some(image) = image else {
        eprintln!("{IMAGE_VARIABLE} names no image: not tried here; CI names one");
        return;
    };
    let server = tokio::task::spawn_blocking(move || TestServer::from_container(Some(&image)))
        .await
        .unwrap()
        .unwrap();
    assert_eq!(server.kind(), Kind::Container);
    let url = server.url().to_owned();
    let mut connection = PgConnection::connect(&url).await.unwrap();
    let fsync: String = sqlx::query_scalar("show fsync")
        .fetch_one(&mut connection)
        .await
        .unwrap();
    assert_eq!(fsync, "off");
    tokio::task::spawn_blocking(|| server.stop())
        .await
        .unwrap()
        .unwrap();
    assert!(PgConnection::connect(&url).await.is_err());
}
