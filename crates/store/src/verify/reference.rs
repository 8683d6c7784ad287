//! Reference data: the tables that everybody is judged by, compared both ways with the rows of the ledger that they
//! stand for. Knows no rule; it only compares.

use super::{VerifyReport, ViolationKind};
use crate::StoreError;
use clampward_domain::calendar::Zone;
use clampward_domain::reference::{Model, Yard};
use jiff::Timestamp;
use jiff::civil::Date;
use serde::de::DeserializeOwned;
use serde_json::Value;
use sqlx::PgConnection;
use std::collections::BTreeMap;
use uuid::Uuid;

/// Every kind of reference row, with what its table says in the words of the ledger. `starts_at` is no word of the
/// ledger: it follows from the day and, for a yard, from its time zone.
const TABLES: [(&str, &str); 8] = [
    (
        "yard",
        "-- verify.yard_versions
         select position, yard_id as subject, recorded_at, recorded_by, version, starts_at,
           jsonb_build_object('starts_on', starts_on, 'yard', body) as said from yard_version",
    ),
    (
        "model",
        "-- verify.model_versions
         select position, model_id as subject, recorded_at, recorded_by, version, starts_at,
           jsonb_build_object('starts_on', starts_on, 'model', body) as said from model_version",
    ),
    (
        "person",
        "-- verify.person_versions
         select position, person_id as subject, recorded_at, recorded_by, v.version, null::timestamptz as starts_at,
           jsonb_build_object('email', v.email, 'name', name, 'enabled', enabled, 'roles', roles,
             'yards', case when all_yards then '\"all\"'::jsonb else jsonb_build_object('some', yards) end)
           || case p.kind when 'person' then '{}' else jsonb_build_object('kind', p.kind) end as said
         from person_version as v left join person as p on p.id = v.person_id",
    ),
    (
        "competence",
        "-- verify.competences
         select position, person_id as subject, recorded_at, recorded_by, null::integer as version,
           null::timestamptz as starts_at,
           jsonb_build_object('competence_id', id, 'kind', kind, 'valid_from', valid_from, 'valid_until', valid_until,
             'evidence', evidence) as said
         from competence",
    ),
    (
        "competence_revoked",
        "-- verify.revocations
         select r.position, c.person_id as subject, r.recorded_at, r.recorded_by, null::integer as version,
           null::timestamptz as starts_at,
           jsonb_build_object('competence_id', r.competence_id, 'revoked_from', r.revoked_from, 'reason', r.reason)
             as said
         from competence_revocation as r left join competence as c on c.id = r.competence_id",
    ),
    (
        "bulletin",
        "-- verify.bulletins
         select position, id as subject, opened_at as recorded_at, opened_by as recorded_by, null::integer as version,
           null::timestamptz as starts_at, jsonb_build_object('bulletin', body) as said from bulletin",
    ),
    (
        "bulletin_held",
        "-- verify.bulletins_held
         select h.held_position as position, h.bulletin_id as subject, h.done_at as recorded_at, b.opened_by as recorded_by,
           null::integer as version, null::timestamptz as starts_at, '{}'::jsonb as said
         from bulletin_hold as h join bulletin as b on b.id = h.bulletin_id where h.held_position is not null",
    ),
    (
        "bulletin_closed",
        "-- verify.bulletin_closures
         select position, bulletin_id as subject, closed_at as recorded_at, closed_by as recorded_by,
           null::integer as version, null::timestamptz as starts_at, body as said from bulletin_closure",
    ),
];

/// The same for rows which nobody is judged by through the snapshot: they leave its version as it is.
const BESIDE: [(&str, &str); 4] = [
    (
        "signing_key",
        "-- verify.signing_keys
         select position, device_id as subject, recorded_at, recorded_by, null::integer as version,
           null::timestamptz as starts_at,
           jsonb_build_object('key_id', id, 'person_id', person_id, 'public_key', encode(public_key, 'hex'), 'expires_at',
             to_char(expires_at at time zone 'UTC', 'YYYY-MM-DD\"T\"HH24:MI:SS\"Z\"')) as said
         from signing_key",
    ),
    (
        "signing_key_revoked",
        "-- verify.signing_key_revocations
         select r.position, k.device_id as subject, r.recorded_at, r.recorded_by, null::integer as version,
           null::timestamptz as starts_at,
           jsonb_build_object('key_id', r.key_id, 'why', r.why, 'reason', r.reason) as said
         from signing_key_revocation as r left join signing_key as k on k.id = r.key_id",
    ),
    (
        "device_revoked",
        "-- verify.device_revocations
         select position, device_id as subject, recorded_at, recorded_by, null::integer as version,
           null::timestamptz as starts_at, jsonb_build_object('reason', reason) as said
         from device_revocation",
    ),
    (
        "bulletin_not_found",
        "-- verify.bulletin_not_found
         select position, bulletin_id as subject, recorded_at, recorded_by, null::integer as version,
           null::timestamptz as starts_at, body as said from bulletin_not_found",
    ),
];

#[derive(sqlx::FromRow)]
struct Stored {
    position: i64,
    subject: Option<Uuid>,
    recorded_at: jiff_sqlx::Timestamp,
    recorded_by: Uuid,
    version: Option<i32>,
    starts_at: Option<jiff_sqlx::Timestamp>,
    said: Value,
}

#[derive(sqlx::FromRow)]
struct Recorded {
    position: i64,
    stream: Uuid,
    recorded_at: jiff_sqlx::Timestamp,
    recorded_by: Uuid,
    bytes: Vec<u8>,
}

pub(super) async fn walk(connection: &mut PgConnection, report: &mut VerifyReport) -> Result<(), StoreError> {
    let mut changes: usize = 0;
    for (kind, table) in TABLES.into_iter().chain(BESIDE) {
        let recorded: Vec<Recorded> = sqlx::query_as(
            "-- verify.reference_rows
             select position, stream, recorded_at, recorded_by, bytes from ledger where kind = $1 order by position",
        )
        .bind(kind)
        .fetch_all(&mut *connection)
        .await?;
        if TABLES.iter().any(|(bumping, _)| *bumping == kind) {
            changes = changes.saturating_add(recorded.len());
        }
        let stored: Vec<Stored> = sqlx::query_as(table).fetch_all(&mut *connection).await?;
        compare(kind, recorded, stored, report);
    }
    check_version(connection, changes, report).await?;
    check_heads(connection, report).await
}

fn compare(kind: &str, recorded: Vec<Recorded>, stored: Vec<Stored>, report: &mut VerifyReport) {
    let mut by_position: BTreeMap<i64, Vec<Stored>> = BTreeMap::new();
    for row in stored {
        by_position.entry(row.position).or_default().push(row);
    }
    for row in recorded {
        let kept = by_position.remove(&row.position).unwrap_or_default();
        let detail = match kept.as_slice() {
            [] => format!("what the row {kind} records is not kept"),
            [kept] if is_same(kind, &row, kept) => continue,
            [_] => format!("what is kept differs from what the row {kind} records"),
            [_, ..] => format!("what the row {kind} records is kept more than once"),
        };
        report.found(
            ViolationKind::ReferenceDiffers,
            Some(row.stream),
            Some(row.position),
            detail,
        );
    }
    for row in by_position.into_values().flatten() {
        report.found(
            ViolationKind::ReferenceDiffers,
            row.subject,
            Some(row.position),
            format!("no row {kind} of the ledger records what is kept"),
        );
    }
}

fn is_same(kind: &str, row: &Recorded, kept: &Stored) -> bool {
    let Ok(record) = serde_json::from_slice::<Value>(&row.bytes) else {
        return false;
    };
    let version = record.get("version").and_then(Value::as_i64);
    let body = record.get("body").unwrap_or(&Value::Null);
    kept.subject == Some(row.stream)
        && kept.recorded_at.to_jiff() == row.recorded_at.to_jiff()
        && kept.recorded_by == row.recorded_by
        && kept.version.map(i64::from) == version
        && match kind {
            "yard" => {
                let zone = |yard: &Yard| yard.time_zone.clone();
                is_same_version("yard", body, row, kept, zone)
            }
            "model" => is_same_version("model", body, row, kept, |_: &Model| Zone::utc()),
            _ => *body == kept.said,
        }
}

/// A version of a yard or a model: compared as what it means, since a number can be written in more ways than one.
fn is_same_version<T: DeserializeOwned + PartialEq>(
    what: &str,
    body: &Value,
    row: &Recorded,
    kept: &Stored,
    zone: impl Fn(&T) -> Zone,
) -> bool {
    let Some((recorded, day)) = version::<T>(what, body) else {
        return false;
    };
    let starts_at = day.map_or(row.recorded_at.to_jiff(), |day| zone(&recorded).start_of(day));
    version::<T>(what, &kept.said) == Some((recorded, day))
        && kept.starts_at.map(|at| at.to_jiff().as_microsecond())
            == Some(Timestamp::as_microsecond(starts_at))
}

fn version<T: DeserializeOwned>(what: &str, body: &Value) -> Option<(T, Option<Date>)> {
    let said = serde_json::from_value(body.get(what)?.clone()).ok()?;
    let day = match body.get("starts_on") {
        None | Some(Value::Null) => None,
        Some(day) => Some(day.as_str()?.parse().ok()?),
    };
    Some((said, day))
}

/// Each change of reference data moves the version by one.
async fn check_version(
    connection: &mut PgConnection,
    changes: usize,
    report: &mut VerifyReport,
) -> Result<(), StoreError> {
    let version = crate::reference::current_version(connection).await?;
    if usize::try_from(version) != Ok(changes) {
        let detail = format!("the head stands at reference version {version} after {changes} changes");
        report.found(ViolationKind::ReferenceDiffers, None, None, detail);
    }
    Ok(())
}

/// The rows that say which version is the newest.
async fn check_heads(connection: &mut PgConnection, report: &mut VerifyReport) -> Result<(), StoreError> {
    let differing: Vec<(String, Uuid)> = sqlx::query_as(
        "-- verify.reference_heads
         select 'yard', y.id from yard as y where not exists (
           select from (select version, body ->> 'code' as code from yard_version
                         where yard_id = y.id order by version desc limit 1) as v
            where v.version = y.version and v.code = y.code)
         union all
         select 'model', m.id from model as m where m.version is distinct from
           (select max(version) from model_version where model_id = m.id)
         union all
         select 'person', p.id from person as p where not exists (
           select from (select version, email from person_version
                         where person_id = p.id order by version desc limit 1) as v
            where v.version = p.version and v.email = p.email)
         order by 1, 2",
    )
    .fetch_all(connection)
    .await?;
    for (what, id) in differing {
        let detail = format!("the {what} does not stand at its newest version");
        report.found(ViolationKind::ReferenceDiffers, Some(id), None, detail);
    }
    Ok(())
}
