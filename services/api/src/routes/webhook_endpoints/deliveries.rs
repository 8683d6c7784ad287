//! `GET /v1/webhook-endpoints/{id}/deliveries`.

use super::endpoint;
use super::view::WebhookDeliveryView;
use crate::extract::{Authorized, PageParameters, Path, Query};
use crate::permission::{Permission, ReadWebhooks};
use crate::reply::{Answer, Chunk, Columns, list as answer};
use actix_web::{HttpRequest, get};
use clampward_domain::webhook::DeliveryState;
use clampward_store::webhooks::DeliveryRecord;
use clampward_wire::page::Page;
use serde::Deserialize;
use utoipa::IntoParams;
use uuid::Uuid;

/// Which deliveries.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct DeliveriesQuery {
    /// Only those of which this became.
    state: Option<DeliveryState>,
    /// `next` of the page before.
    #[param(max_length = 200)]
    after: Option<String>,
    /// Most items of the page.
    #[param(minimum = 1, maximum = 200, default = 50)]
    limit: Option<u32>,
}

/// Deliveries to a webhook endpoint
///
/// What it was and is to be told, the newest first, with what became of it; for thirty days after it was taken or given up.
#[utoipa::path(
    operation_id = "list_webhook_deliveries",
    tag = "Webhooks",
    params(("id" = Uuid, Path, description = "The endpoint."), DeliveriesQuery),
    extensions(("x-permission" = json!(ReadWebhooks::NAME)), ("x-csv-columns" = json!(WebhookDeliveryView::NAMES)), ("x-problems" = json!(["not-found"]))),
    responses((status = 200, description = "A page of deliveries.", body = Page<WebhookDeliveryView>))
)]
#[get("/v1/webhook-endpoints/{id}/deliveries")]
pub async fn deliveries(
    call: Authorized<ReadWebhooks>,
    id: Path<Uuid>,
    query: Query<DeliveriesQuery>,
    request: HttpRequest,
) -> Answer {
    let id = id.0;
    endpoint(&call, id).await?;
    let DeliveriesQuery { state, after, limit } = query.0;
    let page = PageParameters { after, limit };
    let source =
        async move |call: &Authorized<ReadWebhooks>, before: Option<u64>, size: crate::reply::Size| {
            let store = call.store();
            let deliveries = store
                .webhook_deliveries(id, state, before, size.with_surplus())
                .await?;
            let key = |delivery: &DeliveryRecord| delivery.seq;
            Ok(Chunk::from_surplus(deliveries, size, key).map(WebhookDeliveryView::from))
        };
    answer(&request, call, &page, source).await
}
