//! `POST /v1/users/{id}/competences`.

use super::view::CompetenceView;
use crate::extract::{Authorized, Json, Path};
use crate::idempotency::Idempotent;
use crate::permission::{Permission, RecordCompetences};
use crate::reply::{Answer, created};
use actix_web::post;
use clampward_domain::ids::{CompetenceId, PersonId};
use clampward_domain::words::CompetenceKind;
use clampward_store::people::CompetenceBody;
use clampward_wire::problem::{FieldError, Problem};
use jiff::civil::Date;
use serde::Deserialize;
use utoipa::ToSchema;

/// Longest reference to evidence.
const MAX_EVIDENCE: usize = 500;

/// A new competence.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewCompetence {
    /// What for.
    kind: CompetenceKind,
    /// First day.
    #[schema(examples("2025-01-01"))]
    valid_from: Date,
    /// Last day; open-ended if left out.
    #[schema(examples("2027-12-31"))]
    valid_until: Option<Date>,
    /// Certificate or other evidence.
    #[schema(max_length = 500, examples("Certificate 4711 of the training centre"))]
    evidence: Option<String>,
}

/// Record a competence
///
/// Of somebody else: nobody records their own. It acts at once on inspections and repairs of its days, but not on returns
/// to service that were signed before it was recorded.
#[utoipa::path(
    operation_id = "record_competence",
    tag = "People",
    params(("id" = PersonId, Path, description = "The person.")),
    request_body = NewCompetence,
    extensions(("x-permission" = json!(RecordCompetences::NAME)), ("x-idempotent" = json!(true)), ("x-problems" = json!(["not-found", "own-competence"]))),
    responses((status = 201, description = "Recorded.", body = CompetenceView, headers(
        ("Location" = String, description = "Where the person's competences are."), ("ETag" = String, description = "Over the bytes sent."))))
)]
#[post("/v1/users/{id}/competences")]
pub async fn create(
    call: Authorized<RecordCompetences>,
    id: Path<PersonId>,
    body: Json<NewCompetence>,
    once: Idempotent,
) -> Answer {
    once.run(call, async |call| record(call, id.0, body.0).await)
        .await
}

async fn record(call: &Authorized<RecordCompetences>, person: PersonId, new: NewCompetence) -> Answer {
    // A competence counts in every yard.
    call.everywhere()?;
    let NewCompetence {
        kind,
        valid_from,
        valid_until,
        evidence,
    } = new;
    let mut errors = Vec::new();
    if valid_until.is_some_and(|last| last < valid_from) {
        errors.push(FieldError::new(
            "/valid_until",
            "out-of-order",
            "not before valid_from",
        ));
    }
    if evidence
        .as_ref()
        .is_some_and(|text| text.chars().count() > MAX_EVIDENCE)
    {
        errors.push(FieldError::new(
            "/evidence",
            "too-long",
            format!("at most {MAX_EVIDENCE} characters"),
        ));
    }
    if !errors.is_empty() {
        return Err(Problem::input(errors).into());
    }
    let competence_id = CompetenceId::new(call.new_id()?);
    let body = CompetenceBody {
        competence_id,
        kind,
        valid_from,
        valid_until,
        evidence,
    };
    let record = call
        .store()
        .record_competence(call.new_id()?, call.person(), person, &body)
        .await?;
    created(
        &format!("/v1/users/{person}/competences"),
        &CompetenceView::from(record),
    )
}
