//! Streams: numbers without a gap, chained hashes, seals, and columns that say what the stored bytes say.

use super::{VerifyReport, ViolationKind};
use crate::StoreError;
use crate::ledger::{GENESIS, Hash, Sealed, content_hash, link, seal};
use clampward_domain::words::EntryKind;
use jiff::Timestamp;
use serde_json::Value;
use sqlx::PgConnection;
use uuid::Uuid;

#[derive(sqlx::FromRow)]
struct Row {
    id: Uuid,
    seq: i64,
    position: i64,
    kind: String,
    performed_at: jiff_sqlx::Timestamp,
    counted_at: jiff_sqlx::Timestamp,
    recorded_at: jiff_sqlx::Timestamp,
    performed_by: Uuid,
    recorded_by: Uuid,
    device_id: Option<Uuid>,
    bytes: Vec<u8>,
    content_hash: Vec<u8>,
    previous_hash: Vec<u8>,
    hash: Vec<u8>,
    outcome: Option<Vec<u8>>,
    seal: Vec<u8>,
    yards: Vec<Uuid>,
    tag: i64,
    reference_version: i64,
}

pub(super) async fn walk(connection: &mut PgConnection, report: &mut VerifyReport) -> Result<(), StoreError> {
    let streams: Vec<Uuid> = sqlx::query_scalar(
        "-- verify.streams\nselect stream from ledger union select stream from stream_head where seq > 0 order by 1",
    )
    .fetch_all(&mut *connection)
    .await?;
    for stream in streams {
        report.streams += 1;
        let rows: Vec<Row> = sqlx::query_as(
            "-- verify.stream
             select id, seq, position, kind, performed_at, counted_at, recorded_at, performed_by, recorded_by, device_id,
               bytes, content_hash, previous_hash, hash, outcome, seal, yards, tag, reference_version
             from ledger where stream = $1 order by seq",
        )
        .bind(stream)
        .fetch_all(&mut *connection)
        .await?;
        let mut previous: (i64, Vec<u8>) = (0, GENESIS.to_vec());
        for row in &rows {
            check_chain(stream, row, &previous, report);
            check_seal(stream, row, report);
            if EntryKind::from_code(&row.kind).is_some() {
                check_columns(stream, row, report);
            }
            previous = (row.seq, row.hash.clone());
        }
        let position = rows.last().map_or(0, |row| row.position);
        check_head(connection, stream, (previous.0, position, previous.1), report).await?;
    }
    Ok(())
}

fn check_chain(stream: Uuid, row: &Row, previous: &(i64, Vec<u8>), report: &mut VerifyReport) {
    let at = Some(row.position);
    if row.seq != previous.0 + 1 {
        let detail = format!("number {} follows {}", row.seq, previous.0);
        report.found(ViolationKind::SeqGap, Some(stream), at, detail);
    }
    if row.previous_hash != previous.1 {
        report.found(
            ViolationKind::ChainBroken,
            Some(stream),
            at,
            "does not continue the row before it",
        );
    }
    let linked = Hash::try_from(row.previous_hash.as_slice()).map(|previous| link(&previous, &row.bytes));
    if linked.map_or(true, |linked| row.hash != linked) {
        report.found(
            ViolationKind::HashWrong,
            Some(stream),
            at,
            "the hash is not that of the stored bytes",
        );
    }
}

fn check_seal(stream: Uuid, row: &Row, report: &mut VerifyReport) {
    let sealed = Hash::try_from(row.hash.as_slice()).map(|hash| {
        seal(&Sealed {
            hash: &hash,
            content_hash: &row.content_hash,
            id: row.id,
            stream,
            position: row.position,
            seq: row.seq,
            tag: row.tag,
            reference_version: row.reference_version,
            times: [
                row.performed_at.to_jiff(),
                row.counted_at.to_jiff(),
                row.recorded_at.to_jiff(),
            ],
            people: [row.performed_by, row.recorded_by],
            device_id: row.device_id,
            yards: &row.yards,
            outcome: row.outcome.as_deref(),
            kind: &row.kind,
        })
    });
    if sealed.map_or(true, |sealed| row.seal != sealed) {
        report.found(
            ViolationKind::SealBroken,
            Some(stream),
            Some(row.position),
            "a column differs from what was sealed",
        );
    }
}

/// What the bytes say, read without the domain's types, against the columns.
fn check_columns(stream: Uuid, row: &Row, report: &mut VerifyReport) {
    let at = Some(row.position);
    let Ok(said) = serde_json::from_slice::<Value>(&row.bytes) else {
        report.found(
            ViolationKind::Unreadable,
            Some(stream),
            at,
            "the stored bytes are not JSON",
        );
        return;
    };
    let text = |field: &str| {
        said.get(field)
            .and_then(Value::as_str)
            .unwrap_or_default()
            .to_owned()
    };
    let instant = |field: &str| {
        text(field)
            .parse::<Timestamp>()
            .ok()
            .map(Timestamp::as_microsecond)
    };
    let mut differs = Vec::new();
    let mut compare = |field: &'static str, same: bool| {
        if !same {
            differs.push(field);
        }
    };
    compare("id", text("id") == row.id.to_string());
    compare("clamp_id", text("clamp_id") == stream.to_string());
    compare("kind", text("kind") == row.kind);
    compare(
        "performed_by",
        text("performed_by") == row.performed_by.to_string(),
    );
    compare(
        "device_id",
        text("device_id") == row.device_id.map(|id| id.to_string()).unwrap_or_default(),
    );
    compare(
        "performed_at",
        instant("performed_at") == Some(row.performed_at.to_jiff().as_microsecond()),
    );
    compare(
        "counted_at",
        instant("counted_at") == Some(row.counted_at.to_jiff().as_microsecond()),
    );
    let content: serde_json::Map<String, Value> =
        ["clamp_id", "kind", "performed_at", "performed_by", "body"]
            .into_iter()
            .filter_map(|field| said.get(field).map(|value| (field.to_owned(), value.clone())))
            .collect();
    compare(
        "content_hash",
        content_hash(&content).is_ok_and(|hash| row.content_hash == hash),
    );
    if !differs.is_empty() {
        let detail = format!("the stored bytes say otherwise: {}", differs.join(", "));
        report.found(ViolationKind::ColumnDiffers, Some(stream), at, detail);
    }
}

async fn check_head(
    connection: &mut PgConnection,
    stream: Uuid,
    computed: (i64, i64, Vec<u8>),
    report: &mut VerifyReport,
) -> Result<(), StoreError> {
    let stored: Option<(i64, i64, Vec<u8>)> = sqlx::query_as(
        "-- verify.stream_head\nselect seq, position, hash from stream_head where stream = $1",
    )
    .bind(stream)
    .fetch_optional(connection)
    .await?;
    if stored.as_ref() != Some(&computed) {
        let stored = stored.map(|(seq, position, _)| (seq, position));
        let detail = format!(
            "the last row is number {} at {}, the head says {stored:?}",
            computed.0, computed.1
        );
        report.found(ViolationKind::StreamHeadDiffers, Some(stream), None, detail);
    }
    Ok(())
}
