//! `POST /v1/sync/entries`.

use super::elements::{again, read_all};
use super::results::{failure, reply};
use crate::extract::{Authorized, RawJson};
use crate::frame::is_crowded;
use crate::permission::{Permission, Sync};
use crate::reply::{Answer, Failure, ok};
use actix_web::{HttpRequest, post};
use clampward_domain::ids::DeviceId;
use clampward_store::sync::clocks::Monotonic;
use clampward_store::sync::push::Push;
use clampward_wire::problem::{self, Problem};
use clampward_wire::sync::push::{MAX_ENTRIES, Parts, PushReply, PushRequest, parts};

/// Push entries
///
/// What people wrote on a device, in any order and any number of times: an entry's id is its idempotency key for ever, and
/// whatever comes again is answered as the first time. Each entry has a result of its own, and none keeps another one out:
///
/// - `recorded`, `already_recorded`: it is in the ledger.
/// - `held`: kept as it came until a person places it or its cause goes away. What restricts, or cannot be read, bars the
///   clamps that it names meanwhile, also those that become known later.
/// - `refused`: its id was used before for other content; both are kept.
/// - `retry`: not now; send it again. A `problem` with it says why, where waiting for a moment is not enough.
///
/// What only restricts (a tag-out, a rejecting finding) is recorded whatever the yard, the device or the person's competence,
/// if it names the clamp by its id or its exact mark. An entry that its person did not sign restricts, is not credited and
/// releases nothing. Keep every entry until `stable_position` has passed its `position`. One push of a device at a time.
#[utoipa::path(
    operation_id = "push_entries",
    tag = "Synchronisation",
    request_body = PushRequest,
    extensions(("x-permission" = json!(Sync::NAME)), ("x-body-limit" = json!("push")),
        ("x-problems" = json!(["push-under-way", "not-found"]))),
    responses((status = 200, description = "What became of each entry, in their order.", body = PushReply))
)]
#[post("/v1/sync/entries")]
pub async fn push(call: Authorized<Sync>, body: RawJson, request: HttpRequest) -> Answer {
    let Parts { envelope, elements } = parts(&body.0).map_err(Problem::from)?;
    let own = DeviceId::new(call.person().uuid());
    if envelope.device_id != own {
        return Err(Failure::not_found("device"));
    }
    not_too_many(elements.len())?;
    let (elements, errors) = read_all(call.store(), own, &elements).await?;
    let push = Push {
        device: own,
        number: envelope.device_number.unwrap_or(1),
        by: call.person(),
        yards: call.yards().clone(),
        sent: Some(Monotonic {
            boot: envelope.boot,
            milliseconds: envelope.monotonic_ms,
        }),
        queue_length: envelope.queue_length,
        elements,
    };
    let pushed = call.store().push(&push, &again).await.map_err(failure)?;
    ok(&reply(call.store(), pushed, &errors, is_crowded(&request)).await?)
}

/// Refuses a batch of more entries than one may have.
pub fn not_too_many(entries: usize) -> Result<(), Failure> {
    if entries <= MAX_ENTRIES {
        return Ok(());
    }
    let detail =
        format!("{entries} entries are more than the {MAX_ENTRIES} of one push: send several pushes.");
    Err(Problem::new(problem::BODY_TOO_LARGE, detail)
        .with("limit", MAX_ENTRIES)
        .into())
}
