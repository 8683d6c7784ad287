//! `GET /readyz`.

use crate::extract::Public;
use crate::openapi::PUBLIC;
use crate::reply::{Answer, Failure, chain, ok};
use actix_web::get;
use clampward_wire::problem;
use serde_json::json;

/// Whether the service can answer
///
/// The database answers under both roles and is migrated: for whoever sends traffic here.
#[utoipa::path(
    operation_id = "readiness",
    tag = "Operations",
    extensions(("x-permission" = json!(PUBLIC))),
    responses((status = 200, description = "Ready.", body = serde_json::Value, content_type = "application/json",
        example = json!({"status": "ready"})))
)]
#[get("/readyz")]
pub async fn readyz(call: Public) -> Answer {
    call.store().ping().await.map_err(|error| {
        tracing::warn!(error = %chain(&error), "not ready");
        Failure::new(
            problem::UNAVAILABLE,
            "The database does not answer, or is not migrated.",
        )
    })?;
    ok(&json!({ "status": "ready" }))
}
