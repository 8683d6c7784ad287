//! Devices are changed and ended by whoever answers for one of their yards.

use crate::trade::Fleet;
use serde_json::json;

#[actix_web::test]
async fn a_change_names_its_version_and_moves_what_the_device_sees_at_once() {
    let fleet = Fleet::start().await;
    let lead = fleet.token(&fleet.lead);
    let device = fleet.app.device(&lead, &[&fleet.newport]).await;
    let token = fleet.app.device_token(&device).await;
    let path = format!("/v1/devices/{}", device.id);
    let read = fleet.get(&fleet.lead, &path).await.succeeded(200);
    let change = json!({"name": "Tablet 3, berth 2", "yards": [fleet.galveston]});
    fleet
        .app
        .call("PATCH", &path)
        .token(&lead)
        .json(&change)
        .send()
        .await
        .refused(428, "version-missing");
    let changed = fleet
        .app
        .patch(&lead, &path, read.etag(), &change)
        .await
        .succeeded(200);
    assert_eq!(
        (&changed.body["version"], &changed.body["yards"]),
        (&json!(2), &json!([fleet.galveston]))
    );
    fleet
        .app
        .patch(&lead, &path, read.etag(), &change)
        .await
        .refused(412, "version-stale");
    let yards = fleet.app.get(&token, "/v1/yards").await.succeeded(200);
    assert_eq!(yards.text("/items/0/id"), fleet.galveston);
    assert_eq!(yards.body["items"].as_array().map(Vec::len), Some(1));
    for (change, at, fault) in [
        (json!({"yards": []}), "/yards", "out-of-range"),
        (json!({"name": ""}), "/name", "invalid-name"),
    ] {
        fleet
            .app
            .patch(&lead, &path, changed.etag(), &change)
            .await
            .refused(422, "invalid-input")
            .at(at, fault);
    }
    fleet
        .app
        .patch(&lead, &path, changed.etag(), &json!({"enabled": false}))
        .await
        .refused(422, "invalid-input")
        .at("/enabled", "unknown-field");
    fleet.stop().await;
}

/// Goal: nobody learns of another's yards by a shared tablet, or changes whether it is there. Method: a device of two yards
/// that different people answer for.
#[actix_web::test]
async fn of_a_device_of_several_yards_each_sees_and_changes_their_own() {
    let fleet = Fleet::start().await;
    let safety = fleet.token(&fleet.safety);
    let lead = fleet.token(&fleet.lead);
    let device = fleet
        .app
        .device(&safety, &[&fleet.newport, &fleet.clydebank])
        .await;
    let path = format!("/v1/devices/{}", device.id);
    let read = fleet.get(&fleet.lead, &path).await.succeeded(200);
    assert_eq!(
        (&read.body["yards"], &read.body["yards_elsewhere"]),
        (&json!([fleet.newport]), &json!(1))
    );
    assert!(!read.page().contains(&fleet.clydebank));
    let change = json!({"yards": [fleet.galveston]});
    let changed = fleet
        .app
        .patch(&lead, &path, read.etag(), &change)
        .await
        .succeeded(200);
    assert_eq!(changed.body["yards"], json!([fleet.galveston]));
    let whole = fleet.get(&fleet.safety, &path).await.succeeded(200);
    let mut yards = vec![fleet.galveston.clone(), fleet.clydebank.clone()];
    yards.sort_unstable();
    assert_eq!(whole.body["yards"], json!(yards));
    let theirs = json!({"yards": [fleet.clydebank]});
    fleet
        .app
        .patch(&lead, &path, changed.etag(), &theirs)
        .await
        .refused(404, "not-found");
    // A device without a yard of theirs is not there.
    let other = fleet.app.device(&safety, &[&fleet.clydebank]).await;
    let path = format!("/v1/devices/{}", other.id);
    fleet.get(&fleet.lead, &path).await.refused(404, "not-found");
    fleet
        .post(
            &fleet.lead,
            &format!("{path}/revocation"),
            &json!({"reason": "lost"}),
        )
        .await
        .refused(404, "not-found");
    let listed = fleet.get(&fleet.lead, "/v1/devices").await.succeeded(200);
    assert_eq!(listed.body["items"].as_array().map(Vec::len), Some(1));
    assert!(!listed.page().contains(&fleet.clydebank) && !listed.page().contains(&other.id));
    fleet.stop().await;
}

#[actix_web::test]
async fn a_revoked_device_is_shut_out_at_once_and_for_good() {
    let fleet = Fleet::start().await;
    let lead = fleet.token(&fleet.lead);
    let device = fleet.app.device(&lead, &[&fleet.newport]).await;
    let inspector = fleet.token(&fleet.inspector);
    fleet
        .app
        .signing_key(&device, &inspector, &fleet.inspector.id)
        .await;
    let token = fleet.app.device_token(&device).await;
    fleet.app.get(&token, "/v1/me").await.succeeded(200);
    let path = format!("/v1/devices/{}", device.id);
    let revocation = format!("{path}/revocation");
    let why = json!({"reason": "Left behind on the quay"});
    let before = fleet.app.stored().await.0;
    let revoked = fleet.post(&fleet.lead, &revocation, &why).await.succeeded(200);
    assert_eq!(revoked.body["revoked_at"], "2025-03-14T09:00:00Z");
    assert_eq!(revoked.text("/revoked_for"), "Left behind on the quay");
    assert_eq!(revoked.text("/revoked_by"), fleet.lead.id);
    // The account's last version, the end of the device and that of the key on it.
    assert_eq!(fleet.app.stored().await.0, before + 3);

    fleet
        .app
        .get(&token, "/v1/me")
        .await
        .refused(401, "not-signed-in");
    fleet
        .app
        .assert(&device.assertion(fleet.now()))
        .await
        .refused(401, "invalid-client");
    let keys = crate::support::Keys::fresh();
    let request = fleet.app.signing_key_request(&device, &fleet.inspector.id, &keys);
    fleet
        .post(&fleet.inspector, &format!("{path}/signing-keys"), &request)
        .await
        .refused(409, "device-revoked");
    let listed = fleet
        .get(&fleet.lead, &format!("{path}/signing-keys"))
        .await
        .succeeded(200);
    assert_eq!(listed.text("/items/0/revoked_at"), "2025-03-14T09:00:00Z");
    let read = fleet.get(&fleet.lead, &path).await.succeeded(200);
    fleet
        .app
        .patch(&lead, &path, read.etag(), &json!({"name": "Tablet 4"}))
        .await
        .refused(409, "device-revoked");
    // Again changes nothing, neither the time nor the reason.
    let again = fleet
        .post(&fleet.safety, &revocation, &json!({"reason": "again"}))
        .await
        .succeeded(200);
    assert_eq!(again.text("/revoked_for"), "Left behind on the quay");
    assert_eq!(fleet.app.stored().await.0, before + 3);
    for reason in [json!(""), json!(" "), json!("x".repeat(501))] {
        fleet
            .post(&fleet.lead, &revocation, &json!({"reason": reason}))
            .await
            .refused(422, "invalid-input")
            .at("/reason", "invalid-reason");
    }
    fleet.stop().await;
}
