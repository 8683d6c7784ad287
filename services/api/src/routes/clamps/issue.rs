//! `POST /v1/clamps/{clamp_id}/issues`.

use super::record::record;
use crate::extract::{Authorized, Json, Path};
use crate::permission::{HandOut, Permission};
use crate::reply::{Answer, Failure};
use actix_web::post;
use clampward_domain::entry::Issued;
use clampward_domain::ids::ClampId;
use clampward_wire::entry::{EntryReply, IssuedRequest};
use clampward_wire::problem::{FieldError, Problem};

/// Issue a clamp from the tool crib
///
/// To a known person, or to a name or gang. Refused for a clamp that is not fit, with every reason.
#[utoipa::path(
    tag = "Clamps",
    params(("clamp_id" = ClampId, Path, description = "The clamp.")),
    request_body = IssuedRequest,
    extensions(("x-permission" = json!(HandOut::NAME)), ("x-problems" = json!(["not-found", "id-reused", "tagged-out", "not-fit", "clamp-retired"]))),
    responses(
        (status = 201, description = "Recorded.", body = EntryReply),
        (status = 200, description = "Recorded before with the same content; the first outcome.", body = EntryReply),
    )
)]
#[post("/v1/clamps/{clamp_id}/issues")]
pub async fn issue(call: Authorized<HandOut>, clamp_id: Path<ClampId>, body: Json<IssuedRequest>) -> Answer {
    known_holder(&call, &body.0.body).await?;
    record(&call, clamp_id.0, body.0).await
}

/// A clamp is with somebody: a known person, or a name or gang.
async fn known_holder(call: &Authorized<HandOut>, issued: &Issued) -> Result<(), Failure> {
    let fault = match (issued.issued_to, &issued.issued_to_name) {
        (None, None) => FieldError::new(
            "/issued_to",
            "missing-field",
            "say to whom: a person, or a name or gang as issued_to_name",
        ),
        (None, Some(_)) => return Ok(()),
        (Some(person), _) => {
            if call.store().account(person).await?.is_some() {
                return Ok(());
            }
            FieldError::new("/issued_to", "unknown", format!("there is no person {person}"))
        }
    };
    Err(Problem::input(vec![fault]).into())
}
