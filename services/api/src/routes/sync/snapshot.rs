//! `GET /v1/sync/snapshot`.

use super::view;
use crate::extract::{Authorized, Query};
use crate::permission::{Permission, Pull};
use crate::reply::{Answer, Failure, Form, Parts, Stop, stream};
use actix_web::{FromRequest, HttpRequest, HttpResponse, get};
use clampward_domain::ids::{ClampId, YardId};
use clampward_store::feed::SnapshotStart;
use clampward_wire::sync::pull::{STATE_FORMAT, SnapshotEnd, SnapshotHead, SnapshotLine};
use serde::{Deserialize, Serialize};
use utoipa::IntoParams;

/// Clamps that are read at a time.
const CLAMPS: u32 = 500;

/// Of which yard, and from where on.
#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Asked {
    /// The yard.
    yard: YardId,
    /// The last clamp of a snapshot that was cut: what follows is sent, without the reference data.
    after: Option<ClampId>,
}

/// Take a snapshot of a yard
///
/// For a device that begins, that gained the yard, or that was told 410. JSON lines: first a line with the `cursor` from
/// which to go on pulling, then the reference data, then every clamp of the yard by id, each with its state, and last
/// `{"end": true, "lines": …}`. Without that last line the snapshot is not whole: take it up with `after` and the last
/// clamp that you have, and keep the cursor of the first part. What is recorded while you read comes by pulling from that
/// cursor; a clamp's higher position counts, whichever you read first.
#[utoipa::path(
    operation_id = "take_snapshot",
    tag = "Synchronisation",
    params(Asked),
    extensions(
        ("x-permission" = json!(Pull::NAME)),
        ("x-class" = json!("exports")),
        ("x-problems" = json!(["not-found"])),
    ),
    responses((status = 200, description = "The snapshot, line by line.", content(
        (SnapshotLine = "application/x-ndjson"),
    )))
)]
#[get("/v1/sync/snapshot")]
pub async fn snapshot(call: Authorized<Pull>, asked: Query<Asked>, request: HttpRequest) -> Answer {
    let Asked { yard, after } = asked.0;
    call.within(yard, "yard")?;
    let start = call.store().begin_snapshot(yard).await?;
    let start = start.ok_or_else(|| Failure::not_found("yard"))?;
    let (first, lines) = beginning(&call, start, after.is_none()).await?;
    let body = stream(move |parts| clamps(parts, request, first, lines, yard, after));
    let mut response = HttpResponse::Ok();
    Ok(response.content_type(Form::NdJson.media_type()).body(body))
}

/// The first lines, and how many they are.
async fn beginning(
    call: &Authorized<Pull>,
    start: SnapshotStart,
    with_reference: bool,
) -> Result<(Vec<u8>, u64), Failure> {
    let cursors = view::cursors(call).await?;
    let mut bytes = Vec::new();
    let mut lines = 1;
    line(
        &SnapshotHead {
            cursor: cursors.write(&start.cursor),
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

fn line(value: &impl Serialize, into: &mut Vec<u8>) -> Result<(), Failure> {
    serde_json::to_writer(&mut *into, value).map_err(|error| Failure::internal(&error))?;
    into.push(b'\n');
    Ok(())
}

/// Sends the first lines, the clamps part by part, and the last line.
async fn clamps(
    parts: Parts,
    request: HttpRequest,
    first: Vec<u8>,
    mut lines: u64,
    yard: YardId,
    mut after: Option<ClampId>,
) -> Result<Parts, Stop> {
    parts.send(first).await?;
    loop {
        // Each part for somebody who may still have it.
        let call = Authorized::<Pull>::extract(&request).await?;
        call.within(yard, "yard")?;
        let read = call.store().snapshot_clamps(yard, after, CLAMPS).await?;
        let mut bytes = Vec::new();
        for clamp in &read {
            view::clamp_line(clamp, &mut bytes);
            lines += 1;
        }
        after = read.last().map(|clamp| clamp.clamp).or(after);
        let is_last = u32::try_from(read.len()).is_ok_and(|read| read < CLAMPS);
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
    }
}
