//! `GET /readyz`.

use crate::extract::Public;
use crate::openapi::PUBLIC;
use crate::reply::{Answer, Failure, ok};
use actix_web::get;
use clampward_wire::problem;
use serde::Serialize;
use utoipa::ToSchema;

/// Readiness.
#[derive(Serialize, ToSchema)]
pub struct Ready {
    /// `ready`.
    status: &'static str,
}

/// Whether the service can answer
///
/// The database answers under both roles, is migrated as far as this version needs, and the service was not told to
/// stop: for whoever sends traffic here. What is said of the database is at most two seconds old.
#[utoipa::path(
    operation_id = "readiness",
    tag = "Operations",
    extensions(("x-permission" = json!(PUBLIC))),
    responses((status = 200, description = "Ready.", body = Ready,
        example = json!({"status": "ready"})))
)]
#[get("/readyz")]
pub async fn readyz(call: Public) -> Answer {
    let checked = call.readiness().await;
    checked.map_err(|why| Failure::new(problem::UNAVAILABLE, why.detail()))?;
    ok(&Ready { status: "ready" })
}
