//! `GET /v1/models`.

use super::view::ModelView;
use crate::extract::{Authorized, PageParameters, Query};
use crate::permission::{Permission, ReadReference};
use crate::reply::{Answer, Chunk, Columns, list as answer};
use actix_web::{HttpRequest, get};
use clampward_wire::page::Page;
use serde::Deserialize;
use utoipa::IntoParams;

/// Which models.
#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ModelParameters {
    /// Of this maker only; case does not matter.
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
    extensions(("x-permission" = json!(ReadReference::NAME)), ("x-csv-columns" = json!(ModelView::NAMES))),
    responses((status = 200, description = "A page of models.", body = Page<ModelView>))
)]
#[get("/v1/models")]
pub async fn list(
    call: Authorized<ReadReference>,
    query: Query<ModelParameters>,
    request: HttpRequest,
) -> Answer {
    let ModelParameters { maker, after, limit } = query.0;
    let page = PageParameters { after, limit };
    answer(
        &request,
        call,
        &page,
        async move |call: &Authorized<ReadReference>, after, size| {
            let models = call
                .store()
                .models(maker.as_deref(), after, size.with_surplus())
                .await?;
            Ok(Chunk::from_surplus(models, size, |model| model.id).map(ModelView::from))
        },
    )
    .await
}
