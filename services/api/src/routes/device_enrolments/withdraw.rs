//! `POST /v1/device-enrolments/{id}/withdrawal`.

use crate::extract::{Authorized, Path};
use crate::idempotency::Idempotent;
use crate::permission::{KeepDevices, Permission};
use crate::reply::{Answer, Failure};
use actix_web::{HttpResponse, post};
use clampward_store::people::PeopleError;
use uuid::Uuid;

/// Withdraw an enrolment code
///
/// It enrols nothing any more. Withdrawing it again changes nothing; a device that it enrolled already is revoked instead.
#[utoipa::path(
    operation_id = "withdraw_device_enrolment",
    tag = "Devices",
    params(("id" = Uuid, Path, description = "The enrolment.")),
    extensions(("x-permission" = json!(KeepDevices::NAME)), ("x-idempotent" = json!(true)),
        ("x-problems" = json!(["not-found", "enrolment-used"]))),
    responses((status = 204, description = "Withdrawn."))
)]
#[post("/v1/device-enrolments/{id}/withdrawal")]
pub async fn withdraw(call: Authorized<KeepDevices>, id: Path<Uuid>, once: Idempotent) -> Answer {
    once.run(call, async |call| end(call, id.0).await).await
}

async fn end(call: &Authorized<KeepDevices>, id: Uuid) -> Answer {
    let not_there = || Failure::not_found("enrolment");
    let record = call.store().enrolment(id).await?.ok_or_else(not_there)?;
    if !record.yards.iter().any(|yard| call.yards().covers(*yard)) {
        return Err(not_there());
    }
    call.store()
        .withdraw_enrolment(id)
        .await
        .map_err(|error| match error {
            PeopleError::NotFound => not_there(),
            other => other.into(),
        })?;
    tracing::info!(event = "device_enrolment_withdrawn", by = %call.person(), "enrolment code withdrawn");
    Ok(HttpResponse::NoContent().finish())
}
