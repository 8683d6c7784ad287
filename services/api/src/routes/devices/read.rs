//! `GET /v1/devices/{id}`.

use super::device;
use super::view::DeviceView;
use crate::extract::{Authorized, Path};
use crate::permission::{Permission, ReadDevices};
use crate::reply::{Answer, resource};
use actix_web::{HttpRequest, get};
use clampward_domain::ids::DeviceId;

/// One device
///
/// As it is now; its ETag goes into a change. What it last sent stands in the list of devices.
#[utoipa::path(
    operation_id = "read_device",
    tag = "Devices",
    params(("id" = DeviceId, Path, description = "The device.")),
    extensions(("x-permission" = json!(ReadDevices::NAME)), ("x-problems" = json!(["not-found"]))),
    responses(
        (status = 200, description = "The device.", body = DeviceView, headers(("ETag" = String, description = "Over the bytes sent."))),
        (status = 304, description = "You have these bytes already."))
)]
#[get("/v1/devices/{id}")]
pub async fn read(call: Authorized<ReadDevices>, id: Path<DeviceId>, request: HttpRequest) -> Answer {
    let device = device(&call, id.0).await?;
    resource(&request, &DeviceView::seen(device, call.yards()))
}
