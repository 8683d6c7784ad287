//! `PATCH /v1/devices/{id}`.

use super::device;
use super::view::DeviceView;
use crate::extract::{Authorized, Json, Path};
use crate::permission::{KeepDevices, Permission};
use crate::reply::{Answer, changed, if_match};
use crate::routes::device_enrolments::check;
use actix_web::{HttpRequest, patch};
use clampward_domain::ids::{DeviceId, PersonId, YardId};
use clampward_domain::reference::YardScope;
use clampward_store::people::PeopleError;
use serde::Deserialize;
use utoipa::ToSchema;

/// What changes; what is left out stays.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DeviceChange {
    /// Name by which people know it.
    #[schema(min_length = 1, max_length = 120)]
    name: Option<String>,
    /// Those of your yards that it has; yards that you do not see stay as they are.
    #[schema(min_items = 1, max_items = 50)]
    yards: Option<Vec<YardId>>,
}

/// Change a device
///
/// Records a new version, which acts at once: a yard that the device lost is not there for it with its next request.
#[utoipa::path(
    operation_id = "change_device",
    tag = "Devices",
    params(("id" = DeviceId, Path, description = "The device."), ("If-Match" = String, Header, description = "The device's ETag.")),
    request_body = DeviceChange,
    extensions(("x-permission" = json!(KeepDevices::NAME)),
        ("x-problems" = json!(["not-found", "device-revoked", "version-missing", "version-stale"]))),
    responses((status = 200, description = "Recorded.", body = DeviceView, headers(("ETag" = String, description = "Over the bytes sent."))))
)]
#[patch("/v1/devices/{id}")]
pub async fn change(
    call: Authorized<KeepDevices>,
    id: Path<DeviceId>,
    body: Json<DeviceChange>,
    request: HttpRequest,
) -> Answer {
    let before = device(&call, id.0).await?;
    let seen = DeviceView::seen(before.clone(), call.yards());
    if_match(&request, &seen)?;
    if before.revoked.is_some() {
        return Err(PeopleError::DeviceRevoked.into());
    }
    let DeviceChange { name, yards } = body.0;
    let name = name.unwrap_or(seen.name);
    let yards = yards.unwrap_or(seen.yards);
    check(&call, &name, &yards).await?;
    let elsewhere = before.yards().iter().filter(|yard| !call.yards().covers(**yard));
    let mut all: Vec<YardId> = yards.into_iter().chain(elsewhere.copied()).collect();
    all.sort_unstable();
    all.dedup();
    let mut next = before.account.body.clone();
    next.name = name;
    next.yards = YardScope::Some(all);
    let account = PersonId::new(id.0.uuid());
    let version = before.account.version;
    let written = call
        .store()
        .change_account(call.new_id()?, call.person(), account, version, &next)
        .await?;
    let mut after = before;
    after.account = written;
    changed(&DeviceView::seen(after, call.yards()))
}
