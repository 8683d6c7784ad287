//! `GET /v1/sync/snapshot`.

use super::view;
use crate::cursor::Cursors;
use crate::extract::{Authorized, Query};
use crate::permission::{Permission, Pull};
use crate::reply::{Answer, Failure, Form, Parts, Stop, stream};
use actix_web::{FromRequest, HttpRequest, HttpResponse, get};
use clampward_domain::ids::{ClampId, YardId};
use clampward_store::feed::{Cursor, FeedClamp, SnapshotPart, SnapshotStart};
use clampward_wire::problem;
use clampward_wire::sync::pull::{STATE_FORMAT, SnapshotEnd, SnapshotHead, SnapshotLine};
use jiff::SignedDuration;
use serde::{Deserialize, Serialize};
use utoipa::IntoParams;

/// Clamps that are read at a time.
const CLAMPS: u32 = 500;
/// Seconds after which a database that follows another one has caught up, usually.
const SOON: i64 = 2;

/// Of which yard, and from where on.
#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Asked {
    /// The yard.
    yard: YardId,
    /// The last clamp of a snapshot that was cut: what follows is sent, without the reference data.
    after: Option<ClampId>,
    /// The last cursor of that snapshot: give it with `after`. If what you were told is of another history meanwhile, you
    /// are told 410, and begin anew.
    #[param(max_length = 200)]
    cursor: Option<String>,
}

/// Take a snapshot of a yard
///
/// For a device that begins, that gained the yard, or that was told 410. JSON lines: first a line with the `cursor` from
/// which to go on pulling, then the reference data, then every clamp of the yard by id, each with its state, and last
/// `{"end": true, "lines": …}`. Some clamps bring a `cursor` of their own: keep the last one that you read. Without the
/// last line the snapshot is not whole: take it up with `after`, the last clamp that you have, and `cursor`, the last
/// cursor that you have. What is recorded while you read comes by pulling from there; a clamp's higher position counts,
/// whichever you read first.
#[utoipa::path(
    operation_id = "take_snapshot",
    tag = "Synchronisation",
    params(Asked),
    extensions(
        ("x-permission" = json!(Pull::NAME)),
        ("x-class" = json!("exports")),
        ("x-problems" = json!([
            "not-found", "cursor-invalid", "cursor-expired", "epoch-changed", "cursor-diverged", "cursor-from-future"
        ])),
    ),
    responses((status = 200, description = "The snapshot, line by line.", content(
        (SnapshotLine = "application/x-ndjson"),
    )))
)]
#[get("/v1/sync/snapshot")]
pub async fn snapshot(call: Authorized<Pull>, asked: Query<Asked>, request: HttpRequest) -> Answer {
    let Asked { yard, after, cursor } = asked.0;
    call.within(yard, "yard")?;
    let own = view::cursors(&call).await?;
    let start = call.store().begin_snapshot(yard).await?;
    let mut start = start.ok_or_else(|| Failure::not_found("yard"))?;
    if let Some(text) = &cursor {
        start.cursor = taken_up(&own, text, yard, after)?;
    }
    // Before anything is sent: whether there is anything to go on from.
    let part = read(&call, start.cursor, after).await?;
    let (first, lines) = beginning(&own, start, after.is_none())?;
    let body = stream(move |parts| clamps(parts, request, own, first, lines, part, after));
    let mut response = HttpResponse::Ok();
    Ok(response.content_type(Form::NdJson.media_type()).body(body))
}

/// The cursor with which a snapshot is taken up.
fn taken_up(own: &Cursors, text: &str, yard: YardId, after: Option<ClampId>) -> Result<Cursor, Failure> {
    if after.is_none() {
        return Err(view::invalid(
            "A cursor goes with after: without it a snapshot begins, and brings a cursor.",
        ));
    }
    let cursor = own.read(text).filter(|cursor| cursor.yard == yard);
    cursor.ok_or_else(|| {
        view::invalid("This is no cursor of a snapshot of this yard that you were given: begin without one.")
    })
}

/// The first lines, and how many they are.
fn beginning(own: &Cursors, start: SnapshotStart, with_reference: bool) -> Result<(Vec<u8>, u64), Failure> {
    let mut bytes = Vec::new();
    let mut lines = 1;
    line(
        &SnapshotHead {
            cursor: own.write(&start.cursor),
            epoch: start.cursor.epoch,
            reference_version: start.reference_version,
            generated_at: start.generated_at,
            position: start.cursor.position,
            state_format: STATE_FORMAT,
        },
        &mut bytes,
    )?;
    if with_reference {
        for record in start.reference {
            line(&view::reference(record), &mut bytes)?;
            lines += 1;
        }
    }
    Ok((bytes, lines))
}

/// The next clamps, and the cursor that goes with them.
async fn read(
    call: &Authorized<Pull>,
    cursor: Cursor,
    after: Option<ClampId>,
) -> Result<(Cursor, Vec<FeedClamp>), Failure> {
    match call.store().snapshot_clamps(cursor, after, CLAMPS).await? {
        SnapshotPart::Clamps(cursor, clamps) => Ok((cursor, clamps)),
        SnapshotPart::Gone(gone) => Err(view::problem_of(gone).into()),
        SnapshotPart::Wait => Err(Failure::new(
            problem::UNAVAILABLE,
            "This database is behind what the snapshot told already: take it up again.",
        )
        .retry_after(SignedDuration::from_secs(SOON))),
    }
}

fn line(value: &impl Serialize, into: &mut Vec<u8>) -> Result<(), Failure> {
    serde_json::to_writer(&mut *into, value).map_err(|error| Failure::internal(&error))?;
    into.push(b'\n');
    Ok(())
}

/// Sends the first lines, the clamps part by part, and the last line.
async fn clamps(
    parts: Parts,
    request: HttpRequest,
    own: Cursors,
    first: Vec<u8>,
    mut lines: u64,
    (mut cursor, mut read_now): (Cursor, Vec<FeedClamp>),
    mut after: Option<ClampId>,
) -> Result<Parts, Stop> {
    parts.send(first).await?;
    loop {
        let told = own.write(&cursor);
        let mut bytes = Vec::new();
        for (index, clamp) in read_now.iter().enumerate() {
            // With the first: who has any clamp of a part has its cursor.
            view::clamp_line(clamp, (index == 0).then_some(told.as_str()), &mut bytes);
            lines += 1;
        }
        after = read_now.last().map(|clamp| clamp.clamp).or(after);
        let is_last = u32::try_from(read_now.len()).is_ok_and(|read| read < CLAMPS);
        if is_last {
            let end = SnapshotEnd {
                end: true,
                lines: lines + 1,
            };
            line(&end, &mut bytes)?;
        }
        parts.send(bytes).await?;
        if is_last {
            return Ok(parts);
        }
        // Each part for somebody who may still have it.
        let call = Authorized::<Pull>::extract(&request).await?;
        call.within(cursor.yard, "yard")?;
        (cursor, read_now) = read(&call, cursor, after).await?;
    }
}
