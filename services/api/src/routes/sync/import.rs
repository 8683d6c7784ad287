//! `POST /v1/sync/imports`.

use super::elements::{again, read_all};
use super::push::not_too_many;
use super::results::{failure, reply};
use crate::extract::{Authorized, RawJson};
use crate::frame::is_crowded;
use crate::permission::{BringFiles, Permission};
use crate::reply::{Answer, Failure, ok};
use actix_web::{HttpRequest, post};
use clampward_store::sync::push::Push;
use clampward_wire::problem::Problem;
use clampward_wire::sync::push::{Parts, PushReply, PushRequest, parts};

/// Bring in entries of a device
///
/// The entries that a device wrote into a file because it cannot push them itself: it is broken, or was revoked. They are
/// taken as a push of that device would be, of the device's yards, and whoever brings the file vouches for nothing: entries
/// that their person signed on the device stay signed, all others restrict and count for nothing else. What can give fitness
/// back is taken where both the device and whoever brings the file have the yard. What was written after the device was
/// revoked is held, unless it restricts. A file may be brought in any number of times.
#[utoipa::path(
    operation_id = "import_entries",
    tag = "Synchronisation",
    request_body(content = PushRequest, description = "The file, as the device wrote it."),
    extensions(("x-permission" = json!(BringFiles::NAME)), ("x-body-limit" = json!("push")),
        ("x-problems" = json!(["push-under-way", "not-found"]))),
    responses((status = 200, description = "What became of each entry, in their order.", body = PushReply))
)]
#[post("/v1/sync/imports")]
pub async fn import(call: Authorized<BringFiles>, body: RawJson, request: HttpRequest) -> Answer {
    let Parts { envelope, elements } = parts(&body.0).map_err(Problem::from)?;
    let device = call.store().device(envelope.device_id).await?;
    let theirs = device.filter(|device| device.yards().iter().any(|yard| call.yards().covers(*yard)));
    if theirs.is_none() {
        return Err(Failure::not_found("device"));
    }
    not_too_many(elements.len())?;
    let (elements, errors) = read_all(call.store(), envelope.device_id, &elements).await?;
    let push = Push {
        device: envelope.device_id,
        number: envelope.device_number.unwrap_or(1),
        by: call.person(),
        yards: call.yards().clone(),
        // How long the file was on its way, nobody knows.
        sent: None,
        queue_length: envelope.queue_length,
        elements,
    };
    let pushed = call.store().push(&push, &again).await.map_err(failure)?;
    tracing::info!(event = "device_file_brought", by = %call.person(), device = %envelope.device_id, entries = push.elements.len(), "a device's file was brought in");
    ok(&reply(call.store(), pushed, &errors, is_crowded(&request)).await?)
}
