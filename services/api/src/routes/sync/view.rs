//! What pulls answer with. Entries and states go out as the text that they are stored as: the shapes are those of
//! `clampward_wire::sync::pull`, which their readers use.

use crate::cursor::Cursors;
use crate::extract::Authorized;
use crate::extract::refused;
use crate::limits::{PULL_ROWS, PULL_ROWS_USUAL, PULL_WAIT};
use crate::permission::Permission;
use crate::reply::Failure;
use clampward_domain::ids::YardId;
use clampward_domain::reference::YardScope;
use clampward_store::feed::{Cursor, FeedClamp, FeedRow, Gone, Page, ReferenceRecord};
use clampward_wire::problem::{self, FieldError, Problem};
use clampward_wire::sync::pull::ReferenceLine;
use jiff::Timestamp;
use serde::Serialize;
use serde_json::value::RawValue;
use uuid::Uuid;

/// A page of changes for each cursor.
#[derive(Serialize)]
pub struct Changes {
    pub yards: Vec<Yard>,
    pub granted: Vec<YardId>,
    pub server_time: Timestamp,
}

/// What happened in one yard.
#[derive(Serialize)]
pub struct Yard {
    yard_id: YardId,
    from: String,
    rows: Vec<Row>,
    clamps: Vec<Clamp>,
    reference: Vec<ReferenceLine>,
    next_cursor: String,
    more: bool,
    known_position: u64,
    known_at: Timestamp,
    #[serde(skip_serializing_if = "Option::is_none")]
    problem: Option<Problem>,
}

/// A row.
#[derive(Serialize)]
pub struct Row {
    position: u64,
    id: Uuid,
    subject: Uuid,
    seq: u64,
    kind: String,
    recorded_at: Timestamp,
    #[serde(skip_serializing_if = "Option::is_none")]
    entry: Option<Box<RawValue>>,
}

/// A clamp.
#[derive(Serialize)]
struct Clamp {
    clamp_id: Uuid,
    position: u64,
    reference_version: u64,
    #[serde(skip_serializing_if = "Option::is_none")]
    state: Option<Box<RawValue>>,
}

fn raw(text: Option<String>) -> Result<Option<Box<RawValue>>, Failure> {
    text.map(RawValue::from_string)
        .transpose()
        .map_err(|error| Failure::internal(&error))
}

/// Rows as they are shown.
pub fn rows(rows: Vec<FeedRow>) -> Result<Vec<Row>, Failure> {
    rows.into_iter()
        .map(|row| {
            Ok(Row {
                position: row.position,
                id: row.id,
                subject: row.subject,
                seq: row.seq,
                kind: row.kind,
                recorded_at: row.recorded_at,
                entry: raw(row.entry)?,
            })
        })
        .collect()
}

impl Clamp {
    fn of(line: FeedClamp) -> Result<Self, Failure> {
        Ok(Self {
            clamp_id: line.clamp.uuid(),
            position: line.position,
            reference_version: line.reference_version,
            state: raw(line.state)?,
        })
    }
}

/// A clamp as a line of a snapshot, the first of a part with its cursor.
pub fn clamp_line(line: &FeedClamp, cursor: Option<&str>, into: &mut Vec<u8>) {
    let head = format!(
        "{{\"type\":\"clamp\",\"clamp_id\":\"{}\",\"position\":{},\"reference_version\":{}",
        line.clamp, line.position, line.reference_version
    );
    into.extend_from_slice(head.as_bytes());
    if let Some(state) = &line.state {
        into.extend_from_slice(b",\"state\":");
        into.extend_from_slice(state.as_bytes());
    }
    if let Some(cursor) = cursor {
        // Its letters are those of Base64: none needs a backslash.
        into.extend_from_slice(format!(",\"cursor\":\"{cursor}\"").as_bytes());
    }
    into.extend_from_slice(b"}\n");
}

/// Reference data as they are shown.
pub fn reference(record: ReferenceRecord) -> ReferenceLine {
    match record {
        ReferenceRecord::Yard(yard_id, versions) => ReferenceLine::Yard { yard_id, versions },
        ReferenceRecord::Model(model_id, versions) => ReferenceLine::Model { model_id, versions },
        ReferenceRecord::Person(person_id, person) => ReferenceLine::Person { person_id, person },
    }
}

impl Yard {
    /// A page, or why there is none, as the answer to a cursor.
    pub fn of(
        cursors: &Cursors,
        cursor: &Cursor,
        from: &str,
        part: Result<Page, Gone>,
    ) -> Result<Self, Failure> {
        let empty = |problem| Self {
            yard_id: cursor.yard,
            from: from.to_owned(),
            rows: Vec::new(),
            clamps: Vec::new(),
            reference: Vec::new(),
            next_cursor: from.to_owned(),
            more: false,
            known_position: 0,
            known_at: Timestamp::UNIX_EPOCH,
            problem,
        };
        let page = match part {
            Err(gone) => return Ok(empty(Some(problem_of(gone)))),
            Ok(page) => page,
        };
        Ok(Self {
            rows: rows(page.rows)?,
            clamps: page.clamps.into_iter().map(Clamp::of).collect::<Result<_, _>>()?,
            reference: page.reference.into_iter().map(reference).collect(),
            next_cursor: next(cursors, page.next.as_ref(), from),
            more: page.more,
            known_position: page.known_position,
            known_at: page.known_at,
            ..empty(None)
        })
    }
}

/// Where to go on: from the same place, letter for letter, where nothing came.
pub fn next(cursors: &Cursors, next: Option<&Cursor>, from: &str) -> String {
    next.map_or_else(|| from.to_owned(), |next| cursors.write(next))
}

/// What is said of a cursor from which nothing can be read.
pub fn problem_of(gone: Gone) -> Problem {
    let again = "Push what is unsent, then take a snapshot.";
    match gone {
        Gone::NotGranted => Failure::not_found("yard").problem().clone(),
        Gone::EpochChanged => Problem::new(
            problem::EPOCH_CHANGED,
            format!("The history begins anew. {again}"),
        ),
        Gone::Expired => Problem::new(problem::CURSOR_EXPIRED, format!("The cursor is too old. {again}")),
        Gone::Diverged => Problem::new(
            problem::CURSOR_DIVERGED,
            format!("The history behind the cursor is another one. {again}"),
        ),
        Gone::FromFuture => Problem::new(
            problem::CURSOR_FROM_FUTURE,
            format!("The history does not reach as far as the cursor. {again}"),
        ),
    }
}

/// The caller's own cursors.
pub async fn cursors<P: Permission>(call: &Authorized<P>) -> Result<Cursors, Failure> {
    let key = call.store().cursor_key().await?;
    Ok(Cursors::of(&key, call.person()))
}

/// What is said of a text that is no cursor of the caller's.
pub fn invalid(detail: &str) -> Failure {
    let error = FieldError::new("/cursor", "invalid-cursor", detail);
    Problem::new(problem::CURSOR_INVALID, detail)
        .with_errors(vec![error])
        .into()
}

/// The rows of a page.
pub fn limit(asked: Option<u32>) -> Result<u32, Failure> {
    let limit = asked.unwrap_or(PULL_ROWS_USUAL.number());
    if (1..=PULL_ROWS.number()).contains(&limit) {
        return Ok(limit);
    }
    let detail = format!("1 to {}", PULL_ROWS.value);
    Err(refused(FieldError::new("/limit", "out-of-range", detail)))
}

/// The seconds to wait.
pub fn wait(asked: Option<u32>) -> Result<u32, Failure> {
    let wait = asked.unwrap_or(0);
    if wait <= PULL_WAIT.number() {
        return Ok(wait);
    }
    let detail = format!("0 to {}", PULL_WAIT.value);
    Err(refused(FieldError::new("/wait", "out-of-range", detail)))
}

/// The caller's yards, one by one.
pub async fn granted<P: Permission>(call: &Authorized<P>) -> Result<Vec<YardId>, Failure> {
    match call.yards() {
        YardScope::Some(yards) => Ok(yards.clone()),
        YardScope::All => {
            let reference = call.store().reference().await?;
            Ok(reference.yards.keys().copied().collect())
        }
    }
}
