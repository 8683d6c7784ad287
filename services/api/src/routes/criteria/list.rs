//! `GET /v1/criteria`.

use crate::extract::{Authorized, Query};
use crate::permission::{Permission, ReadReference};
use crate::reply::{Answer, Cells, Columns, Failure, Form, resource, whole};
use actix_web::{HttpRequest, get};
use clampward_domain::criteria::{Criterion, Scope, asked};
use clampward_domain::ids::ModelId;
use clampward_domain::reference::Model;
use clampward_domain::source::Source;
use clampward_domain::words::{Component, InspectionKind, JudgedBy, Remedy};
use clampward_wire::page::Page;
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use utoipa::{IntoParams, ToSchema};

/// Which criteria.
#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct CriteriaParameters {
    /// Without those about parts that this model's design does not have.
    model_id: Option<ModelId>,
    /// As an inspection of this kind asks them; left out: every criterion, mandatory as in a periodic inspection.
    inspection_kind: Option<InspectionKind>,
}

/// A criterion as an inspection asks it.
#[derive(Serialize, ToSchema)]
pub struct CriterionView {
    /// Its stable code.
    #[schema(examples("shackle_eye_worn"))]
    code: String,
    /// The part it looks at.
    component: Component,
    /// What the inspector is asked; *yes* means in order.
    question: String,
    /// How it is judged.
    judged_by: JudgedBy,
    /// Whether the inspection must answer it.
    mandatory: bool,
    /// Whether a size is measured and compared with the wear point's limit.
    measured: bool,
    /// What can clear a rejection; any one of them. `none` stands alone: scrap.
    remedies: Vec<Remedy>,
    /// Where it comes from.
    sources: Vec<Source>,
}

impl CriterionView {
    fn new(criterion: &Criterion, mandatory: bool) -> Self {
        Self {
            code: criterion.code.clone(),
            component: criterion.component,
            question: criterion.question.clone(),
            judged_by: criterion.judged_by,
            mandatory,
            measured: criterion.measured.is_some(),
            remedies: criterion.remedies.clone(),
            sources: criterion.sources.clone(),
        }
    }
}

impl Columns for CriterionView {
    const NAMES: &'static [&'static str] = &[
        "code",
        "component",
        "question",
        "judged_by",
        "mandatory",
        "measured",
        "remedies",
    ];
    fn cells(&self, row: &mut Cells<'_>) {
        row.plain(&self.code)
            .plain(self.component)
            .plain(&self.question)
            .plain(self.judged_by)
            .plain(self.mandatory)
            .plain(self.measured)
            .words(&self.remedies);
    }
}

/// Rejection criteria
///
/// In the order in which a person handles the clamp. A rule set may ask for more in an exceptional inspection.
#[utoipa::path(
    operation_id = "list_criteria",
    tag = "Reference data",
    params(CriteriaParameters),
    extensions(("x-permission" = json!(ReadReference::NAME)), ("x-csv-columns" = json!(CriterionView::NAMES)), ("x-problems" = json!(["not-found"]))),
    responses(
        (status = 200, description = "All that apply.", body = Page<CriterionView>, headers(("ETag" = String, description = "Over the bytes sent."))),
        (status = 304, description = "You have these bytes already."))
)]
#[get("/v1/criteria")]
pub async fn list(
    call: Authorized<ReadReference>,
    query: Query<CriteriaParameters>,
    request: HttpRequest,
) -> Answer {
    let form = Form::asked(&request, &Form::OF_LISTS)?;
    let model = match query.0.model_id {
        Some(id) => Some(model_now(&call, id).await?),
        None => None,
    };
    let items: Vec<CriterionView> = match query.0.inspection_kind {
        Some(kind) => asked(Scope::at_least(kind), model.as_deref())
            .map(|(criterion, mandatory)| CriterionView::new(criterion, mandatory))
            .collect(),
        None => asked(Scope::CrackTest, model.as_deref())
            .map(|(criterion, _)| CriterionView::new(criterion, criterion.is_mandatory_in(Scope::Periodic)))
            .collect(),
    };
    match form {
        Form::Json => resource(&request, &Page { items, next: None }),
        Form::Csv | Form::NdJson => Ok(whole(&request, form, items)),
    }
}

/// The model's version in force now.
async fn model_now(call: &Authorized<ReadReference>, id: ModelId) -> Result<Arc<Model>, Failure> {
    let reference = call.store().reference().await?;
    let version = reference
        .model_at(id, call.now())
        .ok_or_else(|| Failure::not_found("model"))?;
    Ok(Arc::clone(&version.value))
}
