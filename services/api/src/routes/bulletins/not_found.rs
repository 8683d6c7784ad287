//! `POST /v1/bulletins/{id}/not-found`.

use super::view::HeldClamp;
use crate::extract::{Authorized, Json, Path};
use crate::idempotency::Idempotent;
use crate::permission::{AccountForBulletins, Permission};
use crate::reply::{Answer, Failure, changed};
use actix_web::post;
use clampward_domain::calendar::Zone;
use clampward_domain::ids::{BulletinId, ClampId, PersonId};
use clampward_store::bulletins::{BulletinClampFilter, NotFound};
use clampward_wire::problem::{FieldError, Problem};
use jiff::ToSpan;
use jiff::civil::Date;
use serde::Deserialize;
use utoipa::ToSchema;

/// Longest note.
const MAX_NOTE: usize = 500;

/// A clamp that could not be found.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NotFoundWord {
    /// The clamp.
    clamp_id: ClampId,
    /// Who looks for it.
    owner: PersonId,
    /// Until when, within a year.
    look_until: Date,
    /// Where it was looked for.
    #[schema(
        min_length = 1,
        max_length = 500,
        examples("Not in the tool crib, not on hull 12")
    )]
    note: String,
}

/// Account for a clamp that cannot be found
///
/// Names who looks for it, and until when; once that day is over it counts as outstanding again. It closes the count, never
/// the lock-out: found again, the clamp is barred until it is inspected for the bulletin.
#[utoipa::path(
    operation_id = "note_clamp_not_found",
    tag = "Bulletins",
    params(("id" = BulletinId, Path, description = "The bulletin.")),
    request_body = NotFoundWord,
    extensions(("x-permission" = json!(AccountForBulletins::NAME)), ("x-idempotent" = json!(true)),
        ("x-problems" = json!(["not-found", "bulletin-closed"]))),
    responses((status = 200, description = "Noted.", body = HeldClamp, headers(("ETag" = String, description = "Over the bytes sent."))))
)]
#[post("/v1/bulletins/{id}/not-found")]
pub async fn not_found(
    call: Authorized<AccountForBulletins>,
    id: Path<BulletinId>,
    body: Json<NotFoundWord>,
    once: Idempotent,
) -> Answer {
    once.run(call, async |call| note(call, id.0, &body.0).await).await
}

async fn note(call: &Authorized<AccountForBulletins>, id: BulletinId, word: &NotFoundWord) -> Answer {
    let store = call.store();
    let mut faults = Vec::new();
    if word.note.trim().is_empty() {
        faults.push(FieldError::new("/note", "empty", "must not be empty"));
    } else if word.note.chars().count() > MAX_NOTE {
        faults.push(FieldError::new(
            "/note",
            "too-long",
            format!("at most {MAX_NOTE} characters"),
        ));
    }
    let today = Zone::utc().date_at(store.now());
    let last = today.checked_add(1.year()).unwrap_or(today);
    if word.look_until < today || word.look_until > last {
        let detail = "from today on, within a year";
        faults.push(FieldError::new("/look_until", "out-of-range", detail));
    }
    let owner = store.account(word.owner).await?;
    if owner.is_none_or(|account| !account.body.enabled) {
        faults.push(FieldError::new(
            "/owner",
            "unknown",
            "there is no such person with an account that is open",
        ));
    }
    if !faults.is_empty() {
        return Err(Problem::input(faults).into());
    }
    let word = NotFound {
        clamp_id: word.clamp_id,
        owner: word.owner,
        look_until: word.look_until,
        note: word.note.clone(),
    };
    let row_id = call.new_id()?;
    store
        .note_not_found(row_id, call.person(), call.yards(), id, &word)
        .await?;
    tracing::info!(event = "bulletin_clamp_not_found", by = %call.person(), bulletin = %id, clamp = %word.clamp_id, "a clamp that a bulletin holds was not found");
    let filter = BulletinClampFilter {
        clamp: Some(word.clamp_id),
        ..BulletinClampFilter::default()
    };
    let mut noted = store.bulletin_clamps(call.yards(), id, filter, None, 1).await?;
    let noted = noted.pop().ok_or_else(|| Failure::not_found("clamp"))?;
    changed(&HeldClamp::from(noted))
}
