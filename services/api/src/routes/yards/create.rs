//! `POST /v1/yards`.

use super::code_is_free;
use super::view::YardView;
use crate::extract::{Authorized, Json};
use crate::idempotency::Idempotent;
use crate::permission::{KeepYards, Permission};
use crate::reply::{Answer, created};
use crate::routes::versions::well_formed;
use actix_web::post;
use clampward_domain::ids::YardId;
use clampward_domain::reference::{Yard, check_yard};

/// Record a yard
///
/// A yard's intervals may only be tighter than its rule set's. The first version holds from its recording.
#[utoipa::path(
    operation_id = "create_yard",
    tag = "Reference data",
    request_body = Yard,
    extensions(("x-permission" = json!(KeepYards::NAME)), ("x-idempotent" = json!(true)), ("x-problems" = json!(["code-taken"]))),
    responses((status = 201, description = "Recorded.", body = YardView, headers(
        ("Location" = String, description = "Where it is."), ("ETag" = String, description = "Over the bytes sent."))))
)]
#[post("/v1/yards")]
pub async fn create(call: Authorized<KeepYards>, body: Json<Yard>, once: Idempotent) -> Answer {
    once.run(call, async |call| record(call, &body.0).await).await
}

async fn record(call: &Authorized<KeepYards>, yard: &Yard) -> Answer {
    call.everywhere()?;
    well_formed(check_yard(yard))?;
    code_is_free(call.store(), &yard.code, None).await?;
    let id = YardId::new(call.new_id()?);
    let written = call
        .store()
        .create_yard(call.new_id()?, call.person(), id, yard)
        .await?;
    created(&format!("/v1/yards/{id}"), &YardView::from(written))
}
