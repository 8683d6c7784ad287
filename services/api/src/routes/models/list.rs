//! `GET /v1/models`.

use super::view::ModelView;
use crate::extract::{Authorized, Query, page};
use crate::permission::{Permission, ReadReference};
use crate::reply::{Answer, ok};
use actix_web::get;
use clampward_wire::page::Page;
use serde::Deserialize;
use utoipa::IntoParams;

/// Which models.
#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ModelParameters {
    /// Of this maker only; case does not matter.
    #[param(max_length = 120)]
    maker: Option<String>,
    /// `next` of the page before.
    #[param(max_length = 200)]
    after: Option<String>,
    /// Most items of the page.
    #[param(minimum = 1, maximum = 200, default = 50)]
    limit: Option<u32>,
}

/// Models
///
/// In the order of their ids, which is the order of their recording.
#[utoipa::path(
    operation_id = "list_models",
    tag = "Reference data",
    params(ModelParameters),
    extensions(("x-permission" = json!(ReadReference::NAME))),
    responses((status = 200, description = "A page of models.", body = Page<ModelView>))
)]
#[get("/v1/models")]
pub async fn list(call: Authorized<ReadReference>, query: Query<ModelParameters>) -> Answer {
    let ModelParameters { maker, after, limit } = query.0;
    let (after, limit) = page(after.as_deref(), limit)?;
    let models = call.store().models(maker.as_deref(), after, limit + 1).await?;
    ok(&Page::from_surplus(models, limit, |model| model.id.to_string()).map(ModelView::from))
}
