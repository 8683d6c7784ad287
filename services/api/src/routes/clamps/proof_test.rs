//! `POST /v1/clamps/{clamp_id}/proof-tests`.

use super::record::record;
use crate::extract::{Authorized, Json, Path};
use crate::permission::{Permission, RecordProofTests};
use crate::reply::Answer;
use actix_web::post;
use clampward_domain::ids::ClampId;
use clampward_wire::entry::{EntryReply, ProofTestedRequest};

/// Record a proof test
///
/// A failed test opens a lock-out, and so does one above the rule set's limit without the maker's figure.
#[utoipa::path(
    tag = "Clamps",
    params(("clamp_id" = ClampId, Path, description = "The clamp.")),
    request_body = ProofTestedRequest,
    extensions(("x-permission" = json!(RecordProofTests::NAME)), ("x-problems" = json!(["not-found", "id-reused", "clamp-retired"]))),
    responses(
        (status = 201, description = "Recorded.", body = EntryReply),
        (status = 200, description = "Recorded before with the same content; the first outcome.", body = EntryReply),
    )
)]
#[post("/v1/clamps/{clamp_id}/proof-tests")]
pub async fn proof_test(
    call: Authorized<RecordProofTests>,
    clamp_id: Path<ClampId>,
    body: Json<ProofTestedRequest>,
) -> Answer {
    record(&call, clamp_id.0, body.0).await
}
