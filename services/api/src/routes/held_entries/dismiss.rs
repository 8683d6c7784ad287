//! `POST /v1/held-entries/{id}/dismissal`.

use super::view::HeldEntryView;
use super::{failure, settler};
use crate::extract::{Authorized, Json, Path};
use crate::idempotency::Idempotent;
use crate::permission::{KeepHeldEntries, Permission};
use crate::reply::{Answer, changed};
use actix_web::post;
use clampward_domain::ids::EntryId;
use clampward_wire::problem::{FieldError, Problem};
use serde::Deserialize;
use utoipa::ToSchema;

/// Longest reason.
const MAX_REASON: usize = 500;

/// The end of a held entry that is not recorded.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Dismissal {
    /// Why nothing is recorded of it.
    #[schema(
        min_length = 1,
        max_length = 500,
        examples("Written a second time by hand after the tablet fell")
    )]
    reason: String,
}

/// Dismiss a held entry
///
/// It is kept, marked as settled with the reason, and never recorded. What it bars stays barred until a return to service
/// names the lock-out.
#[utoipa::path(
    operation_id = "dismiss_held_entry",
    tag = "Held entries",
    params(("id" = EntryId, Path, description = "The held entry.")),
    request_body = Dismissal,
    extensions(("x-permission" = json!(KeepHeldEntries::NAME)), ("x-idempotent" = json!(true)),
        ("x-problems" = json!(["not-found", "held-entry-settled"]))),
    responses((status = 200, description = "Dismissed.", body = HeldEntryView, headers(("ETag" = String, description = "Over the bytes sent."))))
)]
#[post("/v1/held-entries/{id}/dismissal")]
pub async fn dismiss(
    call: Authorized<KeepHeldEntries>,
    id: Path<EntryId>,
    body: Json<Dismissal>,
    once: Idempotent,
) -> Answer {
    once.run(call, async |call| settle(call, id.0, &body.0.reason).await)
        .await
}

async fn settle(call: &Authorized<KeepHeldEntries>, id: EntryId, reason: &str) -> Answer {
    let fault = if reason.trim().is_empty() {
        Some(("empty", "must not be empty".to_owned()))
    } else if reason.chars().count() > MAX_REASON {
        Some(("too-long", format!("at most {MAX_REASON} characters")))
    } else {
        None
    };
    if let Some((code, detail)) = fault {
        return Err(Problem::input(vec![FieldError::new("/reason", code, detail)]).into());
    }
    let settler = settler(call)?;
    let dismissed = call
        .store()
        .dismiss_held_entry(id, reason, &settler)
        .await
        .map_err(failure)?;
    tracing::info!(event = "held_entry_dismissed", by = %call.person(), held = %id, "a held entry was dismissed");
    changed(&HeldEntryView::from(dismissed))
}
