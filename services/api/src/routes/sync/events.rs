//! `GET /v1/events`.

use super::view::{self, Row};
use crate::extract::{Authorized, Query};
use crate::frame::Parked;
use crate::permission::{Permission, ReadEvents};
use crate::reply::{Answer, Failure, ok};
use crate::waiting::{self, Interest, Over};
use actix_web::{FromRequest, HttpRequest, get};
use clampward_store::feed::{EVERYBODY, Events};
use clampward_wire::sync::pull;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use tokio::time::Instant;
use utoipa::IntoParams;

/// From where, how much, and for how long to wait.
#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Asked {
    /// `next_cursor` of the page before; left out, the ledger is read from its first row on.
    cursor: Option<String>,
    /// Most rows: 1 to 1000, 200 if left out.
    #[param(minimum = 1, maximum = 1000)]
    limit: Option<u32>,
    /// Seconds to wait where there is nothing yet: 0 to 25, 0 if left out.
    #[param(minimum = 0, maximum = 25)]
    wait: Option<u32>,
}

/// A page of the ledger as it is shown.
#[derive(Serialize)]
struct Shown<'a> {
    #[serde(skip_serializing_if = "Option::is_none")]
    from: Option<&'a str>,
    rows: Vec<Row>,
    next_cursor: String,
    more: bool,
    known_position: u64,
    known_at: Timestamp,
}

/// Read the whole ledger
///
/// Every row in the order of recording, of all yards: for the company's own systems, which keep up with it or read it from
/// its beginning. Rows about clamps hold their entry; other rows say what they are about, which can be read at its own
/// address. Positions have no gap. Go on while `more` is true; an empty page gives your cursor back, letter for letter, and
/// with `wait` it is held back until something happens. The ledger is kept for ever, so that no cursor grows too old; one
/// of another history is told 410.
#[utoipa::path(
    operation_id = "list_events",
    tag = "Synchronisation",
    params(Asked),
    extensions(
        ("x-permission" = json!(ReadEvents::NAME)),
        ("x-problems" = json!(["cursor-invalid", "epoch-changed", "cursor-diverged", "cursor-from-future"])),
    ),
    responses((status = 200, description = "A page of the ledger.", body = pull::Events))
)]
#[get("/v1/events")]
pub async fn events(call: Authorized<ReadEvents>, asked: Query<Asked>, request: HttpRequest) -> Answer {
    call.everywhere()?;
    let asked = asked.0;
    let limit = view::limit(asked.limit)?;
    let until = waiting::until(view::wait(asked.wait)?);
    let own = view::cursors(&call).await?;
    let from = asked.cursor.as_deref();
    let read = |text| {
        let cursor = own.read(text).filter(|cursor| cursor.yard == EVERYBODY);
        cursor.ok_or_else(|| view::invalid("This is no cursor that you were given here: begin without one."))
    };
    let cursor = from.map(read).transpose()?;
    let show = |found: Events| {
        let next_cursor = view::next(&own, found.next.as_ref(), from.unwrap_or_default());
        ok(&Shown {
            from,
            rows: view::rows(found.rows)?,
            next_cursor,
            more: found.more,
            known_position: found.known_position,
            known_at: found.known_at,
        })
    };
    let parked = Parked::in_request(&request);
    let mut call = call;
    loop {
        let found = call.store().events(cursor, limit).await?;
        let found = found.map_err(|gone| Failure::from(view::problem_of(gone)))?;
        if !found.rows.is_empty() || Instant::now() >= until {
            return show(found);
        }
        if let Some(parked) = &parked {
            parked.leave();
        }
        let over = call
            .waiting()
            .wait(&Interest::Everything, found.position, until)
            .await;
        let may_go_on = parked.as_ref().is_none_or(|parked| parked.come_back().is_ok());
        if over == Over::AtOnce || !may_go_on {
            return show(found);
        }
        call = Authorized::extract(&request).await?;
        call.everywhere()?;
    }
}
