//! `GET /v1/device-enrolments`.

use super::view::EnrolmentView;
use crate::extract::{Authorized, PageParameters, Query};
use crate::permission::{KeepDevices, Permission};
use crate::reply::{Answer, Chunk, Columns, list as answer};
use actix_web::{HttpRequest, get};
use clampward_wire::page::Page;

/// Enrolment codes
///
/// Of devices of one's yards, in the order in which they were made, also those that were used, withdrawn or have expired;
/// never the codes themselves.
#[utoipa::path(
    operation_id = "list_device_enrolments",
    tag = "Devices",
    params(PageParameters),
    extensions(("x-permission" = json!(KeepDevices::NAME)), ("x-csv-columns" = json!(EnrolmentView::NAMES))),
    responses((status = 200, description = "A page of enrolments.", body = Page<EnrolmentView>))
)]
#[get("/v1/device-enrolments")]
pub async fn list(
    call: Authorized<KeepDevices>,
    page: Query<PageParameters>,
    request: HttpRequest,
) -> Answer {
    answer(
        &request,
        call,
        &page.0,
        async |call: &Authorized<KeepDevices>, after, size| {
            let scope = call.yards();
            let records = call.store().enrolments(scope, after, size.with_surplus()).await?;
            Ok(Chunk::from_surplus(records, size, |record| record.id)
                .map(|record| EnrolmentView::seen(record, scope)))
        },
    )
    .await
}
