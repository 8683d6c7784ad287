//! `GET /v1/devices/{id}/signing-keys`.

use super::device;
use super::view::signing_key;
use crate::extract::{Authorized, PageParameters, Path, Query};
use crate::permission::{Permission, ReadDevices};
use crate::reply::{Answer, Chunk, Columns, list as answer};
use actix_web::{HttpRequest, get};
use clampward_domain::ids::DeviceId;
use clampward_wire::page::Page;
use clampward_wire::sync::device::SigningKey;

/// Signing keys on a device
///
/// Whose, since when and until when, the newest first; also those that have ended.
#[utoipa::path(
    operation_id = "list_signing_keys",
    tag = "Devices",
    params(("id" = DeviceId, Path, description = "The device."), PageParameters),
    extensions(("x-permission" = json!(ReadDevices::NAME)), ("x-csv-columns" = json!(SigningKey::NAMES)), ("x-problems" = json!(["not-found"]))),
    responses((status = 200, description = "A page of signing keys.", body = Page<SigningKey>))
)]
#[get("/v1/devices/{id}/signing-keys")]
pub async fn list_signing_keys(
    call: Authorized<ReadDevices>,
    id: Path<DeviceId>,
    page: Query<PageParameters>,
    request: HttpRequest,
) -> Answer {
    device(&call, id.0).await?;
    let id = id.0;
    answer(
        &request,
        call,
        &page.0,
        async move |call: &Authorized<ReadDevices>, after, size| {
            let keys = call
                .store()
                .signing_keys_on(id, after, size.with_surplus())
                .await?;
            Ok(Chunk::from_surplus(keys, size, |record| record.key.id).map(|record| signing_key(&record)))
        },
    )
    .await
}
