//! `GET /problems/{code}`.

use crate::extract::{NoQuery, Path};
use crate::openapi::PUBLIC;
use crate::reply::{Answer, Failure, ok};
use actix_web::get;
use clampward_wire::problem;
use serde_json::json;

/// Help for a problem
///
/// What a problem's `type` points to: what it means and what to do.
#[utoipa::path(
    operation_id = "problem_help",
    tag = "Operations",
    params(("code" = String, Path, description = "Code of the problem.", example = "version-stale", max_length = 40)),
    extensions(("x-permission" = json!(PUBLIC)), ("x-problems" = json!(["not-found"]))),
    responses((status = 200, description = "The help.", body = serde_json::Value, content_type = "application/json",
        example = json!({"code": "version-stale", "status": 412, "title": "Somebody changed it meanwhile", "help": "Read the resource again."})))
)]
#[get("/problems/{code}")]
pub async fn help(_: NoQuery, code: Path<String>) -> Answer {
    let kind = problem::kind(&code.0).ok_or_else(|| Failure::not_found("problem of this code"))?;
    ok(&json!({ "code": kind.code, "status": kind.status, "title": kind.title, "help": kind.help }))
}
