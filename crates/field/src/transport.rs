//! Questions over HTTP: tokens, timeouts, compression, streams. Knows the paths of the contract and nothing of the database.
//!
//! Whatever is no answer of the service, a torn body as much as a page of the harbour's network, counts as lost.

mod http;
pub mod lenient;

pub use http::{Http, Reply, check_address};

use crate::core::{Answer, Refused, SnapshotPart};
use crate::failure::Done;
use crate::session::{Asked, Question, Transport};
use clampward_domain::ids::{ClampId, YardId};
use clampward_wire::sync::pull::{SnapshotHead, SnapshotLine};
use serde::de::DeserializeOwned;
use serde_json::Value;
use std::io::{BufRead, BufReader};

/// Lines of a snapshot that are handed over together.
const LINES: usize = 250;
/// Longest line of a snapshot: a clamp with a long history is as long here as in any other answer.
const LINE_BYTES: u64 = http::BODY_BYTES;
/// Rows of a page.
const PAGE: &str = "200";

/// The service over HTTP, as this device.
pub struct Wire<'a> {
    http: Http<'a>,
}

impl<'a> Wire<'a> {
    /// Over this connection.
    pub const fn new(http: Http<'a>) -> Self {
        Self { http }
    }

    fn plain<T: DeserializeOwned>(
        &mut self,
        path: &str,
        query: &[(&str, String)],
        answer: impl FnOnce(T) -> Option<Answer>,
    ) -> Done<Option<Answer>> {
        let reply = self.http.get_as_device(path, query)?;
        Ok(reply.and_then(|reply| understood(reply, answer)))
    }

    fn snapshot(
        &mut self,
        yard: YardId,
        after: Option<ClampId>,
        cursor: Option<&String>,
        each: &mut dyn FnMut(Answer) -> Done,
    ) -> Done<Asked> {
        let mut query = vec![("yard", yard.to_string())];
        query.extend(after.map(|after| ("after", after.to_string())));
        query.extend(cursor.map(|cursor| ("cursor", cursor.clone())));
        let Some(reply) = self.http.get_as_device("/v1/sync/snapshot", &query)? else {
            return Ok(Asked::Lost);
        };
        if !reply.is_success() {
            each(Answer::Refused(reply.refused()))?;
            return Ok(Asked::Answered);
        }
        stream(BufReader::new(reply.into_reader()), each)
    }
}

/// Hands over the lines of a snapshot as they come.
fn stream(mut lines: impl BufRead, each: &mut dyn FnMut(Answer) -> Done) -> Done<Asked> {
    let mut part = SnapshotPart::default();
    let mut first = true;
    loop {
        let line = match line(&mut lines) {
            Line::Whole(line) => line,
            Line::TooLong if !first => {
                each(Answer::Snapshot(part))?;
                each(Answer::Unreadable {
                    detail: format!("a line is longer than {LINE_BYTES} bytes"),
                })?;
                return Ok(Asked::Answered);
            }
            // What came whole is kept.
            Line::Torn | Line::TooLong => {
                if !part.lines.is_empty() || part.head.is_some() {
                    each(Answer::Snapshot(part))?;
                }
                return Ok(Asked::Lost);
            }
        };
        let Ok(value) = serde_json::from_slice::<Value>(&line) else {
            return Ok(Asked::Lost);
        };
        if first {
            let Ok(head) = serde_json::from_value::<SnapshotHead>(value) else {
                return Ok(Asked::Lost);
            };
            first = false;
            part.head = Some(head);
        } else if value.get("end").is_some() {
            part.end = serde_json::from_value(value).ok();
            let ended = part.end.is_some();
            each(Answer::Snapshot(part))?;
            return Ok(if ended { Asked::Answered } else { Asked::Lost });
        } else {
            match serde_json::from_value::<SnapshotLine>(value) {
                Ok(line) => part.lines.push(line),
                Err(error) => {
                    each(Answer::Snapshot(part))?;
                    each(Answer::Unreadable {
                        detail: error.to_string(),
                    })?;
                    return Ok(Asked::Answered);
                }
            }
        }
        if part.lines.len() >= LINES {
            each(Answer::Snapshot(std::mem::take(&mut part)))?;
        }
    }
}

/// A line as it came.
enum Line {
    /// To its end.
    Whole(Vec<u8>),
    /// The stream ended or broke before its end.
    Torn,
    /// Longer than any is read.
    TooLong,
}

/// The next line.
fn line(lines: &mut impl BufRead) -> Line {
    let mut line = Vec::new();
    let read = std::io::Read::take(&mut *lines, LINE_BYTES).read_until(b'\n', &mut line);
    let is_whole = line.last() == Some(&b'\n');
    match read {
        Ok(_) if is_whole => Line::Whole(line),
        Ok(read) if u64::try_from(read).is_ok_and(|read| read >= LINE_BYTES) => Line::TooLong,
        Ok(_) | Err(_) => Line::Torn,
    }
}

/// An answer out of a reply; nothing if it is none of the service's.
fn understood<T: DeserializeOwned>(reply: Reply, answer: impl FnOnce(T) -> Option<Answer>) -> Option<Answer> {
    if !reply.is_success() {
        return Some(Answer::Refused(reply.refused()));
    }
    reply.json().and_then(answer)
}

impl Transport for Wire<'_> {
    fn ask(&mut self, question: &Question, each: &mut dyn FnMut(Answer) -> Done) -> Done<Asked> {
        let answer = match question {
            Question::Config => self.plain("/v1/sync/config", &[], |config| Some(Answer::Config(config)))?,
            Question::Receipts { device_number, from } => {
                let query = [
                    ("from", from.to_string()),
                    ("device_number", device_number.to_string()),
                ];
                self.plain("/v1/sync/receipts", &query, |answer| {
                    lenient::receipts(answer).map(Answer::Receipts)
                })?
            }
            Question::Push(push) => {
                let body = serde_json::to_vec(push)?;
                self.http
                    .post_as_device("/v1/sync/entries", &body)?
                    .and_then(|reply| {
                        understood(reply, |answer| {
                            lenient::pushed(answer).map(|pushed| Answer::Pushed(Box::new(pushed)))
                        })
                    })
            }
            Question::Changes { cursors } => {
                let mut query: Vec<(&str, String)> = cursors
                    .iter()
                    .map(|(_, cursor)| ("cursor", cursor.clone()))
                    .collect();
                query.push(("limit", PAGE.to_owned()));
                self.plain("/v1/sync/changes", &query, |answer| {
                    lenient::changes(answer).map(Answer::Changes)
                })?
            }
            Question::Snapshot { yard, after, cursor } => {
                return self.snapshot(*yard, *after, cursor.as_ref(), each);
            }
        };
        match answer {
            Some(answer) => {
                each(answer)?;
                Ok(Asked::Answered)
            }
            None => Ok(Asked::Lost),
        }
    }
}

/// What a reply that is no success says.
impl Reply {
    /// As the state machine hears it.
    pub fn refused(self) -> Refused {
        let status = self.status();
        let retry_after_seconds = self.retry_after();
        let problem: Option<Value> = self.json();
        let text = |name: &str| {
            problem
                .as_ref()
                .and_then(|problem| problem.get(name))
                .and_then(Value::as_str)
                .map(str::to_owned)
        };
        Refused {
            status,
            code: text("code").unwrap_or_default(),
            detail: text("detail").unwrap_or_else(|| format!("the service answered {status}")),
            retry_after_seconds,
        }
    }
}

#[cfg(test)]
mod tests;
