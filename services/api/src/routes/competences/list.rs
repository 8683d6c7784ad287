//! `GET /v1/users/{id}/competences`.

use super::view::CompetenceView;
use crate::extract::{Authorized, PageParameters, Path, Query};
use crate::permission::{Permission, ReadPeople};
use crate::reply::{Answer, Chunk, Columns, Failure, list as answer};
use actix_web::{HttpRequest, get};
use clampward_domain::ids::PersonId;
use clampward_wire::page::Page;

/// A person's competences
///
/// Also those that have ended or were withdrawn.
#[utoipa::path(
    operation_id = "list_competences",
    tag = "People",
    params(("id" = PersonId, Path, description = "The person."), PageParameters),
    extensions(("x-permission" = json!(ReadPeople::NAME)), ("x-csv-columns" = json!(CompetenceView::NAMES)), ("x-problems" = json!(["not-found"]))),
    responses((status = 200, description = "A page of competences.", body = Page<CompetenceView>))
)]
#[get("/v1/users/{id}/competences")]
pub async fn list(
    call: Authorized<ReadPeople>,
    id: Path<PersonId>,
    page: Query<PageParameters>,
    request: HttpRequest,
) -> Answer {
    call.store()
        .account(id.0)
        .await?
        .ok_or_else(|| Failure::not_found("person"))?;
    let person = id.0;
    answer(
        &request,
        call,
        &page.0,
        async move |call: &Authorized<ReadPeople>, after, size| {
            let records = call
                .store()
                .competences(person, after, size.with_surplus())
                .await?;
            Ok(Chunk::from_surplus(records, size, |record| record.id).map(CompetenceView::from))
        },
    )
    .await
}
