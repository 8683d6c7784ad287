//! `GET /v1/sync/changes`.

use super::view::{self, Yard};
use crate::cursor::Cursors;
use crate::extract::{Authorized, Query, refused};
use crate::frame::Parked;
use crate::limits::PULL_CURSORS;
use crate::permission::{Permission, Pull};
use crate::reply::{Answer, Failure, ok};
use crate::waiting::{self, Interest, Over};
use actix_web::{FromRequest, HttpRequest, get};
use clampward_store::feed::{Changes, Cursor, EVERYBODY, Gone};
use clampward_wire::problem::FieldError;
use clampward_wire::sync::pull;
use serde::de::{Error, MapAccess, Visitor};
use serde::{Deserialize, Deserializer};
use std::fmt;
use tokio::time::Instant;
use utoipa::IntoParams;

/// From where, how much, and for how long to wait.
#[derive(Default, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct Asked {
    /// A cursor: `next_cursor` of the page before, or that of a snapshot. Once for each yard, at most 50; without
    /// any, only the yards that are yours are told.
    #[param(style = Form, explode = true, max_items = 50)]
    cursor: Vec<String>,
    /// Most rows of the answer, all yards together: 1 to 1000, 200 if left out. Never fewer than one for each yard.
    #[param(minimum = 1, maximum = 1000)]
    limit: Option<u32>,
    /// Seconds to wait where there is nothing yet: 0 to 25, 0 if left out.
    #[param(minimum = 0, maximum = 25)]
    wait: Option<u32>,
}

/// By hand, because a parameter may come several times.
impl<'de> Deserialize<'de> for Asked {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Parameters;
        impl<'de> Visitor<'de> for Parameters {
            type Value = Asked;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("cursor, limit and wait")
            }
            fn visit_map<M: MapAccess<'de>>(self, mut map: M) -> Result<Asked, M::Error> {
                let mut asked = Asked::default();
                while let Some(name) = map.next_key::<String>()? {
                    let number = match name.as_str() {
                        "cursor" => {
                            asked.cursor.push(map.next_value()?);
                            continue;
                        }
                        "limit" => &mut asked.limit,
                        "wait" => &mut asked.wait,
                        _ => return Err(M::Error::unknown_field(&name, &["cursor", "limit", "wait"])),
                    };
                    if number.replace(map.next_value()?).is_some() {
                        return Err(M::Error::custom(format_args!("duplicate field `{name}`")));
                    }
                }
                Ok(asked)
            }
        }
        deserializer.deserialize_map(Parameters)
    }
}

/// Pull what happened
///
/// The rows of the ledger that went to your yards after your cursors, each yard from its own: entries about its clamps,
/// and what concerns the whole company (models, people). With them come the clamps that they touch and the reference data
/// that they touch, both as they are now: take them up where their position is higher than what you have, in one step with
/// `next_cursor`. A clamp without a state is not in that yard any more; a clamp that moves comes in both yards.
///
/// Several yards share the limit so that none waits for another. Go on while `more` is true. An empty page gives your
/// cursor back, letter for letter. With `wait`, an empty page is held back until something happens in one of the yards.
///
/// A cursor from which nothing can be read says so in its yard's `problem`, and the other yards go on: 404 where the yard
/// is not yours any more (delete what no other yard has, and keep what is unsent), 410 where the history behind it is
/// another one or it is too old (push what is unsent, take a snapshot, go on from there). If all cursors fail alike, the
/// whole answer is that problem. A yard in `granted` without a cursor is new: take its snapshot.
#[utoipa::path(
    operation_id = "pull_changes",
    tag = "Synchronisation",
    params(Asked),
    extensions(
        ("x-permission" = json!(Pull::NAME)),
        ("x-class" = json!("writes")),
        ("x-problems" = json!(["cursor-invalid", "not-found", "epoch-changed", "cursor-expired", "cursor-diverged", "cursor-from-future"])),
    ),
    responses((status = 200, description = "A page for each cursor, in their order.", body = pull::Changes))
)]
#[get("/v1/sync/changes")]
pub async fn changes(call: Authorized<Pull>, asked: Query<Asked>, request: HttpRequest) -> Answer {
    let asked = asked.0;
    let limit = view::limit(asked.limit)?;
    let until = waiting::until(view::wait(asked.wait)?);
    let own = view::cursors(&call).await?;
    let cursors = read(&own, &asked.cursor)?;
    let interest = Interest::Yards(cursors.iter().map(|cursor| cursor.yard).collect());
    let parked = Parked::in_request(&request);
    let mut call = call;
    loop {
        let found = call.store().changes(call.yards(), &cursors, limit).await?;
        if !found.is_empty() || Instant::now() >= until {
            return answer(&call, &own, &cursors, &asked.cursor, found).await;
        }
        if let Some(parked) = &parked {
            parked.leave();
        }
        let over = call.waiting().wait(&interest, found.position, until).await;
        let may_go_on = parked.as_ref().is_none_or(|parked| parked.come_back().is_ok());
        if over == Over::AtOnce || !may_go_on {
            return answer(&call, &own, &cursors, &asked.cursor, found).await;
        }
        // They may have lost a yard, or their access, while they waited.
        call = Authorized::extract(&request).await?;
    }
}

/// The cursors of a request, each of another yard.
fn read(own: &Cursors, texts: &[String]) -> Result<Vec<Cursor>, Failure> {
    let most = PULL_CURSORS.count();
    if texts.len() > most {
        let detail = format!("at most {most}, one for each yard");
        return Err(refused(FieldError::new("/cursor", "out-of-range", detail)));
    }
    let mut cursors: Vec<Cursor> = Vec::with_capacity(texts.len());
    for (index, text) in texts.iter().enumerate() {
        let cursor = own.read(text).filter(|cursor| cursor.yard != EVERYBODY);
        let cursor = cursor.ok_or_else(|| {
            view::invalid(&format!(
                "Cursor {} is not one that you were given for a yard: take that yard's snapshot.",
                index + 1
            ))
        })?;
        if cursors.iter().any(|other| other.yard == cursor.yard) {
            let detail = format!("cursor {} is of a yard that has one already", index + 1);
            return Err(refused(FieldError::new("/cursor", "given-twice", detail)));
        }
        cursors.push(cursor);
    }
    Ok(cursors)
}

async fn answer(
    call: &Authorized<Pull>,
    own: &Cursors,
    cursors: &[Cursor],
    texts: &[String],
    found: Changes,
) -> Answer {
    if let Some(gone) = all_alike(&found) {
        return Err(view::problem_of(gone).into());
    }
    let yards = cursors
        .iter()
        .zip(texts)
        .zip(found.parts)
        .map(|((cursor, text), part)| Yard::of(own, cursor, text, part))
        .collect::<Result<_, _>>()?;
    ok(&view::Changes {
        yards,
        granted: view::granted(call).await?,
        server_time: call.now(),
    })
}

/// What is wrong with every cursor, where it is the same.
fn all_alike(found: &Changes) -> Option<Gone> {
    let mut gone = found.parts.iter().map(|part| part.as_ref().err().copied());
    let first = gone.next()??;
    gone.all(|other| other == Some(first)).then_some(first)
}
