//! What breaks clients between two versions of a contract.
//!
//! After Zalando's RESTful API guidelines, rules 106–112: what clients send must go on being accepted, what they read must
//! go on being there. Additions are fine; unknown parameters and fields are refused here, so taking one away breaks too.

mod schemas;

use super::{items, members, operations, resolved, text};
use schemas::{Direction, Pair};
use serde_json::Value;
use std::collections::BTreeSet;
use std::fmt;

/// One break: where, and what.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Break {
    place: String,
    what: String,
}

impl Break {
    /// A break at a place.
    pub fn new(place: impl Into<String>, what: impl Into<String>) -> Self {
        Self {
            place: place.into(),
            what: what.into(),
        }
    }
}

impl fmt::Display for Break {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.place, self.what)
    }
}

/// Every break of `before` by `now`, sorted.
pub fn breaks(before: &Value, now: &Value) -> Vec<Break> {
    let mut found = Vec::new();
    let current = operations(now);
    for old in operations(before) {
        let place = old.place();
        let same = current
            .iter()
            .find(|new| new.path == old.path && new.method == old.method);
        let Some(new) = same else {
            found.push(Break::new(place, "the operation is gone"));
            continue;
        };
        for name in ["operationId", "x-permission"] {
            let (was, is) = (text(old.value, name), text(new.value, name));
            if was != is {
                found.push(Break::new(&place, format!("{name} was {was}, is {is}")));
            }
        }
        let both = Documents { before, now };
        parameters(both, (old.value, new.value), &place, &mut found);
        body(both, (old.value, new.value), &place, &mut found);
        answers(both, (old.value, new.value), &place, &mut found);
    }
    found.sort();
    found.dedup();
    found
}

/// The two documents, for whoever follows references.
#[derive(Clone, Copy)]
struct Documents<'a> {
    before: &'a Value,
    now: &'a Value,
}

fn parameters(both: Documents<'_>, (old, new): (&Value, &Value), place: &str, found: &mut Vec<Break>) {
    let old = named(both.before, old);
    let new = named(both.now, new);
    for (name, was) in &old {
        let here = format!("{place} parameter {}", name.1);
        let Some((_, is)) = new.iter().find(|(other, _)| other == name) else {
            found.push(Break::new(here, "is gone"));
            continue;
        };
        if required(is) && !required(was) {
            found.push(Break::new(&here, "is required now"));
        }
        schema(both, Direction::Sent, (was, is), &here, found);
    }
    for (name, is) in &new {
        if required(is) && !old.iter().any(|(other, _)| other == name) {
            found.push(Break::new(
                format!("{place} parameter {}", name.1),
                "is new and required",
            ));
        }
    }
}

/// Parameters by where they stand and their name.
fn named<'a>(document: &'a Value, operation: &'a Value) -> Vec<((String, String), &'a Value)> {
    items(operation, "parameters")
        .into_iter()
        .map(|parameter| {
            let parameter = resolved(document, parameter);
            (
                (
                    text(parameter, "in").to_owned(),
                    text(parameter, "name").to_owned(),
                ),
                parameter,
            )
        })
        .collect()
}

fn required(value: &Value) -> bool {
    value.get("required") == Some(&Value::Bool(true))
}

fn body(both: Documents<'_>, (old, new): (&Value, &Value), place: &str, found: &mut Vec<Break>) {
    let body = |document, operation: &'_ Value| {
        operation
            .get("requestBody")
            .map(|body| resolved(document, body).clone())
    };
    let here = format!("{place} body");
    match (body(both.before, old), body(both.now, new)) {
        (None, None) => {}
        (None, Some(is)) => {
            if required(&is) {
                found.push(Break::new(here, "is new and required"));
            }
        }
        (Some(_), None) => found.push(Break::new(here, "is gone")),
        (Some(was), Some(is)) => {
            if required(&is) && !required(&was) {
                found.push(Break::new(&here, "is required now"));
            }
            contents(both, Direction::Sent, (&was, &is), &here, found);
        }
    }
}

fn answers(both: Documents<'_>, (old, new): (&Value, &Value), place: &str, found: &mut Vec<Break>) {
    let new = members(new, "responses");
    for (status, was) in members(old, "responses") {
        let here = format!("{place} {status}");
        let Some((_, is)) = new.iter().find(|(other, _)| *other == status) else {
            found.push(Break::new(here, "is no longer answered"));
            continue;
        };
        let (was, is) = (resolved(both.before, was), resolved(both.now, is));
        contents(both, Direction::Read, (was, is), &here, found);
        let headers: BTreeSet<&String> = members(is, "headers").into_iter().map(|(name, _)| name).collect();
        for (name, _) in members(was, "headers") {
            if !headers.contains(name) {
                found.push(Break::new(&here, format!("the header {name} is gone")));
            }
        }
    }
}

fn contents(
    both: Documents<'_>,
    direction: Direction,
    (old, new): (&Value, &Value),
    place: &str,
    found: &mut Vec<Break>,
) {
    let new = members(new, "content");
    for (media, was) in members(old, "content") {
        match new.iter().find(|(other, _)| *other == media) {
            Some((_, is)) => schema(both, direction, (was, is), place, found),
            None => found.push(Break::new(place, format!("{media} is gone"))),
        }
    }
}

fn schema(
    both: Documents<'_>,
    direction: Direction,
    (old, new): (&Value, &Value),
    place: &str,
    found: &mut Vec<Break>,
) {
    let (Some(old), Some(new)) = (old.get("schema"), new.get("schema")) else {
        return;
    };
    let mut pair = Pair::new(both.before, both.now, direction);
    pair.compare(old, new, place, found);
}

#[cfg(test)]
mod tests;
