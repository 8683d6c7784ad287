//! `GET /v1/users/{id}/competences`.

use super::view::CompetenceView;
use crate::extract::{Authorized, PageParameters, Path, Query};
use crate::permission::{Permission, ReadPeople};
use crate::reply::{Answer, Failure, ok};
use actix_web::get;
use clampward_domain::ids::PersonId;
use clampward_wire::page::Page;

/// A person's competences
///
/// Also those that have ended or were withdrawn.
#[utoipa::path(
    operation_id = "list_competences",
    tag = "People",
    params(("id" = PersonId, Path, description = "The person."), PageParameters),
    extensions(("x-permission" = json!(ReadPeople::NAME)), ("x-problems" = json!(["not-found"]))),
    responses((status = 200, description = "A page of competences.", body = Page<CompetenceView>))
)]
#[get("/v1/users/{id}/competences")]
pub async fn list(call: Authorized<ReadPeople>, id: Path<PersonId>, page: Query<PageParameters>) -> Answer {
    let (after, limit) = page.0.read()?;
    call.store()
        .account(id.0)
        .await?
        .ok_or_else(|| Failure::not_found("person"))?;
    let records = call.store().competences(id.0, after, limit + 1).await?;
    ok(&Page::from_surplus(records, limit, |record| record.id.to_string()).map(CompetenceView::from))
}
