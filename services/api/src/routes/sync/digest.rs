//! `GET /v1/sync/digest`.

use crate::extract::{Authorized, Query};
use crate::permission::{Permission, Pull};
use crate::reply::{Answer, Failure, ok};
use actix_web::get;
use clampward_domain::ids::YardId;
use clampward_store::feed::Digested;
use clampward_wire::problem;
use clampward_wire::sync::pull::{Digest, STATE_FORMAT};
use serde::Deserialize;
use utoipa::IntoParams;

/// Of which yard, and where the device stands.
#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Asked {
    /// The yard.
    yard: YardId,
    /// `known_position` of the last page.
    position: u64,
}

/// Compare a yard's clamps
///
/// How many clamps the yard has and a checksum over their states, at the position up to which a device knows everything:
/// the same as the device computes over what it has, or the device has something else and takes a snapshot. The checksum
/// does not depend on the order of the clamps: each state in canonical form (RFC 8785), of its SHA-256 the first eight
/// bytes as a number, and the sum of these modulo 2^64. 409 where the yard has moved on from there, or just changes.
#[utoipa::path(
    operation_id = "digest",
    tag = "Synchronisation",
    params(Asked),
    extensions(
        ("x-permission" = json!(Pull::NAME)),
        ("x-class" = json!("exports")),
        ("x-problems" = json!(["not-found", "position-moved-on"])),
    ),
    responses((status = 200, description = "Count and checksum.", body = Digest))
)]
#[get("/v1/sync/digest")]
pub async fn digest(call: Authorized<Pull>, asked: Query<Asked>) -> Answer {
    let Asked { yard, position } = asked.0;
    call.within(yard, "yard")?;
    let refused = |detail: &str| Failure::new(problem::POSITION_MOVED_ON, detail);
    match call.store().digest(yard, position).await? {
        Digested::At(digest) => ok(&Digest {
            yard_id: yard,
            position,
            count: digest.count,
            checksum: format!("{:016x}", digest.checksum),
            state_format: STATE_FORMAT,
        }),
        Digested::Nowhere => Err(Failure::not_found("yard")),
        Digested::Elsewhere => Err(refused(
            "The yard is not where you are: pull until there is no more, then ask with known_position.",
        )),
        Digested::Reassessing => Err(refused(
            "Clamps of the yard are being reassessed after a change of reference data: ask again in a minute.",
        )),
    }
}
