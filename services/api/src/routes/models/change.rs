//! `PATCH /v1/models/{id}`.

use super::check;
use super::view::{ModelChange, ModelView};
use crate::extract::{Authorized, PartialJson, Path};
use crate::permission::{KeepModels, Permission};
use crate::reply::{Answer, Failure, changed, if_match};
use crate::routes::versions::{Change, first_day};
use actix_web::{HttpRequest, patch};
use clampward_domain::calendar::Zone;
use clampward_domain::ids::ModelId;
use clampward_domain::reference::Model;
use clampward_store::StoreError;
use clampward_store::reference::ModelChange as NextVersion;
use clampward_wire::problem::{FieldError, Problem};

/// Record a new version of a model
///
/// It starts on a later day (UTC), tomorrow if none is named. Earlier versions stay on record, and what was judged by
/// them stays so. Maker and model name are what it is known by and do not change.
#[utoipa::path(
    operation_id = "change_model",
    tag = "Reference data",
    params(("id" = ModelId, Path, description = "The model."), ("If-Match" = String, Header, description = "The model's ETag.")),
    request_body = ModelChange,
    extensions(("x-permission" = json!(KeepModels::NAME)),
        ("x-problems" = json!(["not-found", "version-missing", "version-stale", "version-pending"]))),
    responses((status = 200, description = "Recorded.", body = ModelView, headers(("ETag" = String, description = "Over the bytes sent."))))
)]
#[patch("/v1/models/{id}")]
pub async fn change(
    call: Authorized<KeepModels>,
    id: Path<ModelId>,
    body: PartialJson,
    request: HttpRequest,
) -> Answer {
    // Every yard has clamps of a model.
    call.everywhere()?;
    let before = call
        .store()
        .model(id.0)
        .await?
        .ok_or_else(|| Failure::not_found("model"))?;
    if_match(&request, &ModelView::from(before.clone()))?;
    let change = Change::read(body.0)?;
    let (named, reason) = (change.starts_on, change.reason.clone());
    let next: Model = change.onto(serde_json::to_value(&before.body).map_err(StoreError::from)?)?;
    stays_itself(&before.body, &next)?;
    check(&call, &next, reason.as_deref()).await?;
    let starts_on = first_day(named, &Zone::utc(), call.now())?;
    let change = NextVersion {
        expected: before.version,
        starts_on,
        reason: reason.as_deref(),
        body: &next,
    };
    let written = call
        .store()
        .change_model(call.new_id()?, call.person(), id.0, &change)
        .await?;
    changed(&ModelView::from(written))
}

/// A clamp's serial number is unique per maker, so that a model never changes its maker or its name.
fn stays_itself(before: &Model, next: &Model) -> Result<(), Failure> {
    let detail = "a model keeps its maker and its name: record another model";
    let mut errors = Vec::new();
    if before.maker != next.maker {
        errors.push(FieldError::new("/maker", "never-changes", detail));
    }
    if before.model != next.model {
        errors.push(FieldError::new("/model", "never-changes", detail));
    }
    if errors.is_empty() {
        Ok(())
    } else {
        Err(Problem::input(errors).into())
    }
}
