//! `POST /v1/users/{id}/competences/{competence_id}/revocation`.

use super::view::CompetenceView;
use crate::extract::{Authorized, Json, Path};
use crate::idempotency::Idempotent;
use crate::permission::{Permission, RecordCompetences};
use crate::reply::{Answer, changed};
use actix_web::post;
use clampward_domain::ids::{CompetenceId, PersonId};
use clampward_store::people::RevocationBody;
use clampward_wire::problem::{FieldError, Problem};
use jiff::civil::Date;
use serde::Deserialize;
use utoipa::ToSchema;

/// Longest reason.
const MAX_REASON: usize = 500;

/// A withdrawal.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Revocation {
    /// Not valid from this day on; it counts from here whenever it is recorded.
    #[schema(examples("2025-03-01"))]
    revoked_from: Date,
    /// Why.
    #[schema(max_length = 500)]
    reason: Option<String>,
}

/// Withdraw a competence
///
/// Of somebody else, from a day on, which may lie in the past. It may be withdrawn again from an earlier day, never from a
/// later one. What rested on it is assessed again.
#[utoipa::path(
    operation_id = "revoke_competence",
    tag = "People",
    params(("id" = PersonId, Path, description = "The person."), ("competence_id" = CompetenceId, Path, description = "The competence.")),
    request_body = Revocation,
    extensions(("x-permission" = json!(RecordCompetences::NAME)), ("x-idempotent" = json!(true)),
        ("x-problems" = json!(["not-found", "own-competence", "already-revoked"]))),
    responses((status = 200, description = "Withdrawn.", body = CompetenceView, headers(("ETag" = String, description = "Over the bytes sent."))))
)]
#[post("/v1/users/{id}/competences/{competence_id}/revocation")]
pub async fn revoke(
    call: Authorized<RecordCompetences>,
    path: Path<(PersonId, CompetenceId)>,
    body: Json<Revocation>,
    once: Idempotent,
) -> Answer {
    let (person, competence) = path.0;
    once.run(call, async |call| record(call, person, competence, body.0).await)
        .await
}

async fn record(
    call: &Authorized<RecordCompetences>,
    person: PersonId,
    competence_id: CompetenceId,
    revocation: Revocation,
) -> Answer {
    // A competence counts in every yard.
    call.everywhere()?;
    let Revocation { revoked_from, reason } = revocation;
    if reason
        .as_ref()
        .is_some_and(|text| text.chars().count() > MAX_REASON)
    {
        let detail = format!("at most {MAX_REASON} characters");
        return Err(Problem::input(vec![FieldError::new("/reason", "too-long", detail)]).into());
    }
    let body = RevocationBody {
        competence_id,
        revoked_from,
        reason,
    };
    let record = call
        .store()
        .revoke_competence(call.new_id()?, call.person(), person, &body)
        .await?;
    changed(&CompetenceView::from(record))
}
