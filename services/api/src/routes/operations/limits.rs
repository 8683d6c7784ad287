//! `GET /v1/limits`.

use crate::extract::Public;
use crate::limits::Limit;
use crate::openapi::PUBLIC;
use crate::reply::{Answer, ok};
use actix_web::get;
use serde::Serialize;
use utoipa::ToSchema;

/// Every limit.
#[derive(Serialize, ToSchema)]
pub struct LimitList {
    /// The limits; their order says nothing.
    items: Vec<Limit>,
}

/// What the service bounds
///
/// Every limit with its name, its value in this installation, its unit and what it bounds. Read it before the first
/// sign-in; the names stay, values may change, and limits may be added.
#[utoipa::path(
    operation_id = "limits",
    tag = "Operations",
    extensions(("x-permission" = json!(PUBLIC))),
    responses((status = 200, description = "The limits.", body = LimitList,
        example = json!({"items": [{"name": "body_bytes", "value": 1_048_576, "unit": "bytes",
            "bounds": "The body of a request, as sent and after decompression; beyond it 413."}]})))
)]
#[get("/v1/limits")]
pub async fn limits(call: Public) -> Answer {
    ok(&LimitList {
        items: call.limits().published(),
    })
}
