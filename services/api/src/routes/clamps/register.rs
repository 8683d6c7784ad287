//! `POST /v1/clamps`.

use super::record::{hand_in, reply};
use crate::extract::{Authorized, Json};
use crate::permission::{Permission, RegisterClamps};
use crate::reply::Answer;
use actix_web::{HttpResponse, post};
use clampward_wire::entry::{EntryReply, RegisterRequest};

/// Register a clamp
///
/// The clamp awaits its initial inspection. A plate that disagrees with the model on WLL or jaw opening bars it
/// (`rating_in_doubt`), a missing serial number too (`identity_in_doubt`).
#[utoipa::path(
    operation_id = "register_clamp",
    tag = "Clamps",
    request_body = RegisterRequest,
    extensions(
        ("x-permission" = json!(RegisterClamps::NAME)),
        ("x-problems" = json!(["not-found", "id-reused", "number-taken", "state-conflict"]))
    ),
    responses(
        (status = 201, description = "Registered.", body = EntryReply),
        (status = 200, description = "Registered before with the same content; the first outcome.", body = EntryReply),
    )
)]
#[post("/v1/clamps")]
pub async fn register(call: Authorized<RegisterClamps>, body: Json<RegisterRequest>) -> Answer {
    let RegisterRequest { id, entry } = body.0;
    let recorded = hand_in(&call, id, entry).await?;
    if recorded.already {
        return Ok(HttpResponse::Ok().json(reply(recorded)));
    }
    Ok(HttpResponse::Created()
        .insert_header(("Location", format!("/v1/clamps/{id}")))
        .json(reply(recorded)))
}
