//! `GET /healthz`.

use crate::extract::NoQuery;
use crate::openapi::PUBLIC;
use crate::reply::{Answer, ok};
use actix_web::get;
use serde::Serialize;
use utoipa::ToSchema;

/// Health.
#[derive(Serialize, ToSchema)]
pub struct Health {
    /// `ok`.
    status: &'static str,
}

/// Whether the process lives
///
/// Says nothing about the database: for whoever restarts processes.
#[utoipa::path(
    operation_id = "health",
    tag = "Operations",
    extensions(("x-permission" = json!(PUBLIC))),
    responses((status = 200, description = "The process lives.", body = Health,
        example = json!({"status": "ok"})))
)]
#[get("/healthz")]
pub async fn healthz(_: NoQuery) -> Answer {
    ok(&Health { status: "ok" })
}
