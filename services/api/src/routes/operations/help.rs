//! `GET /problems/{code}`.

use crate::docs::problem_page;
use crate::extract::{NoQuery, Path};
use crate::openapi::PUBLIC;
use crate::reply::{Answer, Failure, ok};
use actix_web::{HttpRequest, get};
use clampward_wire::problem;
use serde::Serialize;
use utoipa::ToSchema;

/// Help for a problem
///
/// What a problem's `type` points to: what it means and what to do. A page for people whose browser asks for `text/html`,
/// JSON for programs.
#[utoipa::path(
    operation_id = "problem_help",
    tag = "Operations",
    params(("code" = String, Path, description = "Code of the problem.", example = "version-stale", max_length = 40)),
    extensions(("x-permission" = json!(PUBLIC)), ("x-problems" = json!(["not-found"]))),
    responses((status = 200, description = "The help.", content(
        (ProblemHelp = "application/json"),
        (String = "text/html")
    )))
)]
#[get("/problems/{code}")]
pub async fn help(request: HttpRequest, _: NoQuery, code: Path<String>) -> Answer {
    let kind = problem::kind(&code.0).ok_or_else(|| Failure::not_found("problem of this code"))?;
    if let Some(page) = problem_page(&request, kind).await {
        return Ok(page);
    }
    ok(&ProblemHelp {
        code: kind.code,
        status: kind.status,
        title: kind.title,
        help: kind.help,
    })
}

/// What a problem means and what to do.
#[derive(Serialize, ToSchema)]
struct ProblemHelp {
    /// Stable code.
    #[schema(examples("version-stale"))]
    code: &'static str,
    /// HTTP status that it comes with.
    #[schema(minimum = 400, maximum = 599)]
    status: u16,
    /// Title.
    #[schema(examples("Somebody changed it meanwhile"))]
    title: &'static str,
    /// What it means, and what to do.
    help: &'static str,
}
