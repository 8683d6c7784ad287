//! `POST /v1/device-enrolments`.

use super::view::{EnrolmentView, NewEnrolmentAnswer};
use super::{Code, check};
use crate::extract::{Authorized, Json};
use crate::idempotency::Idempotent;
use crate::limits::ENROLMENT_CODE;
use crate::permission::{KeepDevices, Permission};
use crate::reply::{Answer, created};
use actix_web::post;
use clampward_domain::ids::YardId;
use clampward_store::people::{AccountKey, NewEnrolment};
use jiff::{SignedDuration, Timestamp};
use serde::Deserialize;
use utoipa::ToSchema;

/// A device that is to be enrolled.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct EnrolmentRequest {
    /// Name of the device, by which people know it.
    #[schema(min_length = 1, max_length = 120, examples("Tablet 3, plate store"))]
    name: String,
    /// Its yards, each one of yours.
    #[schema(min_items = 1, max_items = 50)]
    yards: Vec<YardId>,
}

/// Make an enrolment code
///
/// For one device, which redeems it at `POST /v1/devices` within 24 hours. The answer alone shows the code. The device is
/// shared by the people of its yards: what each of them signs on it is a key of their own.
#[utoipa::path(
    operation_id = "create_device_enrolment",
    tag = "Devices",
    request_body = EnrolmentRequest,
    extensions(("x-permission" = json!(KeepDevices::NAME)), ("x-idempotent" = json!(true)), ("x-problems" = json!(["not-found"]))),
    responses((status = 201, description = "Made; shown here only.", body = NewEnrolmentAnswer, headers(
        ("Location" = String, description = "Where enrolments are."), ("ETag" = String, description = "Over the bytes sent."))))
)]
#[post("/v1/device-enrolments")]
pub async fn create(call: Authorized<KeepDevices>, body: Json<EnrolmentRequest>, once: Idempotent) -> Answer {
    once.run(call, async |call| record(call, body.0).await).await
}

async fn record(call: &Authorized<KeepDevices>, request: EnrolmentRequest) -> Answer {
    let EnrolmentRequest { name, mut yards } = request;
    check(call, &name, &yards).await?;
    yards.sort_unstable();
    yards.dedup();
    let code = Code::new()?;
    let life = SignedDuration::try_from(ENROLMENT_CODE.duration()).unwrap_or(SignedDuration::ZERO);
    let new = NewEnrolment {
        id: call.new_id()?,
        digest: code.digest(),
        attempts: AccountKey::of_enrolment(code.name()),
        name,
        yards,
        expires_at: call.now().checked_add(life).unwrap_or(Timestamp::MAX),
    };
    let record = call.store().create_enrolment(call.person(), &new).await?;
    tracing::info!(event = "device_enrolment_created", by = %call.person(), "enrolment code made");
    let answer = NewEnrolmentAnswer {
        enrolment: EnrolmentView::seen(record, call.yards()),
        code: code.reveal(),
    };
    created("/v1/device-enrolments", &answer)
}
