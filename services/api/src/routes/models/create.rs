//! `POST /v1/models`.

use super::check;
use super::view::{ModelView, NewModel};
use crate::extract::{Authorized, PartialJson};
use crate::idempotency::Idempotent;
use crate::permission::{KeepModels, Permission};
use crate::reply::{Answer, created};
use crate::routes::versions::Change;
use actix_web::post;
use clampward_domain::ids::ModelId;
use clampward_domain::reference::Model;
use serde_json::{Value, json};

/// Record a model
///
/// The first version holds from its recording. A wear limit looser than the rule sets allow needs the maker's written figure;
/// that, and a design without a part that is asked about, is said by a qualified person under their name, with a reason.
#[utoipa::path(
    operation_id = "create_model",
    tag = "Reference data",
    request_body = NewModel,
    extensions(("x-permission" = json!(KeepModels::NAME)), ("x-idempotent" = json!(true)), ("x-problems" = json!(["model-taken"]))),
    responses((status = 201, description = "Recorded.", body = ModelView, headers(
        ("Location" = String, description = "Where it is."), ("ETag" = String, description = "Over the bytes sent."))))
)]
#[post("/v1/models")]
pub async fn create(call: Authorized<KeepModels>, body: PartialJson, once: Idempotent) -> Answer {
    once.run(call, async |call| record(call, body.0).await).await
}

async fn record(call: &Authorized<KeepModels>, body: Value) -> Answer {
    // Every yard has clamps of a model.
    call.everywhere()?;
    let change = Change::read(body)?;
    let reason = change.reason.clone();
    let fields: Model = change.onto(json!({}))?;
    check(call, &fields, reason.as_deref()).await?;
    let model = ModelId::new(call.new_id()?);
    let written = call
        .store()
        .create_model_because(call.new_id()?, call.person(), model, reason.as_deref(), &fields)
        .await?;
    created(&format!("/v1/models/{model}"), &ModelView::from(written))
}
