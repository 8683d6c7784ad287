//! Devices: enrolled, changed, signed on, revoked.

use super::recorder::Recorder;
use crate::support::{Device, Keys};
use serde_json::json;

/// Asks everything about devices.
pub async fn run(to: &mut Recorder) {
    let lead = "lead-port-ellery";
    let yard = to.look(lead, "/v1/yards?limit=1").await.text("/items/0/id");
    let new = json!({"name": "Tablet 3, plate store", "yards": [yard]});
    let enrolments = "/v1/device-enrolments";
    let made = to.post("Made", lead, enrolments, &new, 201).await;
    // While there is one: ids of one instant have no order.
    to.get("Every one", lead, "/v1/device-enrolments", 200).await;
    to.post(
        "Without a yard",
        lead,
        enrolments,
        &json!({"name": "Tablet 3", "yards": []}),
        422,
    )
    .await;
    let unused = to.post("Made", lead, enrolments, &new, 201).await.text("/id");

    let keys = Keys::of(1);
    let code = made.text("/code");
    let enrolled = to
        .post("Enrolled", "", "/v1/devices", &keys.enrolling(&code), 201)
        .await;
    let device = Device {
        id: enrolled.text("/device_id"),
        keys,
    };
    to.post(
        "Another key",
        "",
        "/v1/devices",
        &Keys::of(2).enrolling(&code),
        422,
    )
    .await;
    let second = to.post("Made", lead, enrolments, &new, 201).await;
    to.post(
        "The key is in use",
        "",
        "/v1/devices",
        &device.keys.enrolling(&second.text("/code")),
        409,
    )
    .await;
    let withdrawal = |id: &str| format!("{enrolments}/{id}/withdrawal");
    to.bare_post("Withdrawn", lead, &withdrawal(&unused), 204).await;
    to.bare_post("Used already", lead, &withdrawal(&made.text("/id")), 409)
        .await;

    to.get("What each last sent", lead, "/v1/devices?limit=1", 200)
        .await;
    let path = format!("/v1/devices/{}", device.id);
    let read = to.get("A device", lead, &path, 200).await;
    let renamed = json!({"name": "Tablet 3, berth 2"});
    to.patch("Which version", lead, &path, None, &renamed, 428).await;
    let etag = read.etag().to_owned();
    to.patch("Another name", lead, &path, Some(&etag), &renamed, 200)
        .await;
    to.patch("Changed meanwhile", lead, &path, Some(&etag), &renamed, 412)
        .await;
    let now = to.look(lead, &path).await.etag().to_owned();
    to.patch("No yard", lead, &path, Some(&now), &json!({"yards": []}), 422)
        .await;

    let me = to.look(lead, "/v1/me").await.text("/id");
    let signing = format!("{path}/signing-keys");
    let hers = to.app.signing_key_request(&device, &me, &Keys::of(3));
    let key = to.post("Made", lead, &signing, &hers, 201).await.text("/id");
    to.post("The key is in use", lead, &signing, &hers, 409).await;
    let mut forged = hers;
    forged["device_assertion"] = json!("not.an.assertion");
    to.post("Not by the device", lead, &signing, &forged, 422).await;
    to.get("The newest first", lead, &format!("{signing}?limit=1"), 200)
        .await;
    let revocation = format!("{signing}/{key}/revocation");
    to.post(
        "Revoked",
        lead,
        &revocation,
        &json!({"reason": "Short code was seen"}),
        200,
    )
    .await;
    to.post("No reason", lead, &revocation, &json!({"reason": " "}), 422)
        .await;

    let revocation = format!("{path}/revocation");
    to.post("No reason", lead, &revocation, &json!({"reason": ""}), 422)
        .await;
    to.post(
        "Revoked",
        lead,
        &revocation,
        &json!({"reason": "Left behind on the quay"}),
        200,
    )
    .await;
    let again = to.app.signing_key_request(&device, &me, &Keys::of(4));
    to.post("The device is revoked", lead, &signing, &again, 409)
        .await;
    let now = to.look(lead, &path).await.etag().to_owned();
    to.patch("The device is revoked", lead, &path, Some(&now), &renamed, 409)
        .await;
}
