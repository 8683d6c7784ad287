//! `PATCH /v1/yards/{id}`.

use super::code_is_free;
use super::view::{YardChange, YardView};
use crate::extract::{Authorized, PartialJson, Path};
use crate::permission::{KeepYards, Permission};
use crate::reply::{Answer, Failure, changed, if_match};
use crate::routes::versions::{Change, first_day, well_formed};
use actix_web::{HttpRequest, patch};
use clampward_domain::ids::YardId;
use clampward_domain::reference::{Yard, check_rule_set_change, check_yard};
use clampward_domain::words::Role;
use clampward_store::StoreError;
use clampward_store::reference::YardChange as NextVersion;
use clampward_wire::problem::{self, FieldError, Problem};

/// Record a new version of a yard
///
/// It starts on a later civil day there, tomorrow if none is named. Earlier versions stay on record, and what was judged
/// by them stays so. Another rule set: by the safety role with a reason, never one with a longer legal interval.
#[utoipa::path(
    operation_id = "change_yard",
    tag = "Reference data",
    params(("id" = YardId, Path, description = "The yard."), ("If-Match" = String, Header, description = "The yard's ETag.")),
    request_body = YardChange,
    extensions(("x-permission" = json!(KeepYards::NAME)),
        ("x-problems" = json!(["not-found", "code-taken", "version-missing", "version-stale", "version-pending"]))),
    responses((status = 200, description = "Recorded.", body = YardView, headers(("ETag" = String, description = "Over the bytes sent."))))
)]
#[patch("/v1/yards/{id}")]
pub async fn change(
    call: Authorized<KeepYards>,
    id: Path<YardId>,
    body: PartialJson,
    request: HttpRequest,
) -> Answer {
    let before = call
        .store()
        .yard(call.yards(), id.0)
        .await?
        .ok_or_else(|| Failure::not_found("yard"))?;
    if_match(&request, &YardView::from(before.clone()))?;
    let change = Change::read(body.0)?;
    let (named, reason) = (change.starts_on, change.reason.clone());
    let next: Yard = change.onto(serde_json::to_value(&before.body).map_err(StoreError::from)?)?;
    well_formed(check_yard(&next))?;
    if next.rule_set != before.body.rule_set {
        check_other_rule_set(&call, &before.body, &next, reason.as_deref())?;
    }
    if next.code != before.body.code {
        code_is_free(call.store(), &next.code, Some(id.0)).await?;
    }
    let starts_on = first_day(named, &next.time_zone, call.now())?;
    let change = NextVersion {
        expected: before.version,
        starts_on,
        reason: reason.as_deref(),
        body: &next,
    };
    let written = call
        .store()
        .change_yard(call.new_id()?, call.person(), id.0, &change)
        .await?;
    changed(&YardView::from(written))
}

fn check_other_rule_set(
    call: &Authorized<KeepYards>,
    before: &Yard,
    next: &Yard,
    reason: Option<&str>,
) -> Result<(), Failure> {
    if !call.caller().roles.contains(&Role::Safety) {
        let detail =
            "A yard's rule set follows its country; another one is chosen by the role safety, with a reason.";
        return Err(Failure::new(problem::NOT_ALLOWED, detail));
    }
    well_formed(
        check_rule_set_change(before.rule_set, next.rule_set)
            .into_iter()
            .collect(),
    )?;
    if reason.is_none() {
        let detail = "say why this yard follows another rule set from now on";
        return Err(Problem::input(vec![FieldError::new("/reason", "missing-field", detail)]).into());
    }
    Ok(())
}
