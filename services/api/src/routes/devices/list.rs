//! `GET /v1/devices`.

use super::view::DeviceInUse;
use crate::extract::{Authorized, PageParameters, Query};
use crate::permission::{Permission, ReadDevices};
use crate::reply::{Answer, Chunk, Columns, list as answer};
use actix_web::{HttpRequest, get};
use clampward_wire::page::Page;

/// Devices
///
/// Of one's yards, in the order of their enrolment, also those that are revoked: each with what it last sent and what it
/// still had to send, so that somebody sees which tablet holds entries back.
#[utoipa::path(
    operation_id = "list_devices",
    tag = "Devices",
    params(PageParameters),
    extensions(("x-permission" = json!(ReadDevices::NAME)), ("x-csv-columns" = json!(DeviceInUse::NAMES))),
    responses((status = 200, description = "A page of devices.", body = Page<DeviceInUse>))
)]
#[get("/v1/devices")]
pub async fn list(
    call: Authorized<ReadDevices>,
    page: Query<PageParameters>,
    request: HttpRequest,
) -> Answer {
    answer(
        &request,
        call,
        &page.0,
        async |call: &Authorized<ReadDevices>, after, size| {
            let scope = call.yards();
            let devices = call.store().devices(scope, after, size.with_surplus()).await?;
            Ok(Chunk::from_surplus(devices, size, |device| device.id)
                .map(|device| DeviceInUse::seen(device, scope)))
        },
    )
    .await
}
