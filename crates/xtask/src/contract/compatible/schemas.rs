//! What breaks clients between two versions of a schema: looser is fine for what is sent, tighter for what is read.
//!
//! Follows references on both sides, also through circles. Lists of words in answers may grow: clients were told so.

use super::Break;
use crate::contract::{items, members, resolved, text};
use serde_json::Value;
use std::collections::BTreeSet;

/// Whether clients send what the schema describes, or read it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Direction {
    /// Sent by clients.
    Sent,
    /// Read by clients.
    Read,
}

/// Bounds that shut more out the larger they are.
const LOWER: [&str; 5] = [
    "minimum",
    "exclusiveMinimum",
    "minLength",
    "minItems",
    "minProperties",
];
/// Bounds that shut more out the smaller they are.
const UPPER: [&str; 5] = [
    "maximum",
    "exclusiveMaximum",
    "maxLength",
    "maxItems",
    "maxProperties",
];

/// The schemas of two documents, compared in one direction.
pub(super) struct Pair<'a> {
    before: &'a Value,
    now: &'a Value,
    direction: Direction,
    /// Pairs of references that are being compared already.
    under_way: BTreeSet<(String, String)>,
}

impl<'a> Pair<'a> {
    pub(super) fn new(before: &'a Value, now: &'a Value, direction: Direction) -> Self {
        Self {
            before,
            now,
            direction,
            under_way: BTreeSet::new(),
        }
    }

    /// Adds every break of a schema by its later form.
    pub(super) fn compare(&mut self, old: &Value, new: &Value, place: &str, found: &mut Vec<Break>) {
        let references = (text(old, "$ref").to_owned(), text(new, "$ref").to_owned());
        let named = !references.0.is_empty() || !references.1.is_empty();
        if named && !self.under_way.insert(references) {
            return;
        }
        let old = resolved(self.before, old).clone();
        let new = resolved(self.now, new).clone();
        self.values(&old, &new, place, found);
        self.properties(&old, &new, place, found);
        self.parts(&old, &new, place, found);
    }

    /// Types, words, bounds and forms.
    fn values(&self, old: &Value, new: &Value, place: &str, found: &mut Vec<Break>) {
        let (was, is) = (types(old), types(new));
        // A schema without a type takes everything; one that is put together says its types in its parts.
        let together = ["oneOf", "anyOf", "allOf"]
            .iter()
            .any(|name| old.get(name).is_some() || new.get(name).is_some());
        if !together {
            let fits = match self.direction {
                Direction::Sent => is.is_empty() || (!was.is_empty() && was.is_subset(&is)),
                Direction::Read => was.is_empty() || (!is.is_empty() && is.is_subset(&was)),
            };
            if !fits {
                found.push(Break::new(place, format!("was {}, is {}", list(&was), list(&is))));
            }
        }
        let (was, is) = (text(old, "format"), text(new, "format"));
        if was != is
            && !(self.direction == Direction::Sent && is.is_empty())
            && !(self.direction == Direction::Read && was.is_empty())
        {
            found.push(Break::new(place, format!("the format was {was:?}, is {is:?}")));
        }
        if self.direction == Direction::Read {
            return;
        }
        match (words(old), words(new)) {
            (Some(was), Some(is)) => {
                for word in was.difference(&is) {
                    found.push(Break::new(place, format!("{word} is no longer accepted")));
                }
            }
            (None, Some(_)) => found.push(Break::new(place, "only listed words are accepted now")),
            (_, None) => {}
        }
        for (bounds, tighter) in [(LOWER, 1.0), (UPPER, -1.0)] {
            for name in bounds {
                let number = |schema: &Value| schema.get(name).and_then(Value::as_f64);
                let shut = match (number(old), number(new)) {
                    (_, None) => false,
                    (None, Some(is)) => !(is == 0.0 && tighter > 0.0 && name != "minimum"),
                    (Some(was), Some(is)) => (is - was) * tighter > 0.0,
                };
                if shut {
                    found.push(Break::new(place, format!("{name} is tighter")));
                }
            }
        }
        for name in ["pattern", "multipleOf", "const", "uniqueItems"] {
            if let Some(is) = new.get(name)
                && old.get(name) != Some(is)
                && *is != Value::Bool(false)
            {
                found.push(Break::new(place, format!("{name} is another")));
            }
        }
        if let Some(was) = old.get("default")
            && new.get("default") != Some(was)
        {
            found.push(Break::new(place, "what holds if it is left out is another"));
        }
    }

    fn properties(&mut self, old: &Value, new: &Value, place: &str, found: &mut Vec<Break>) {
        let required = |schema: &Value| -> BTreeSet<String> {
            let names = items(schema, "required");
            names
                .into_iter()
                .filter_map(Value::as_str)
                .map(str::to_owned)
                .collect()
        };
        let (must, must_now) = (required(old), required(new));
        let closed = |schema: &Value| schema.get("additionalProperties") == Some(&Value::Bool(false));
        let new_properties = members(new, "properties");
        for (name, was) in members(old, "properties") {
            let here = format!("{place}.{name}");
            match new_properties.iter().find(|(other, _)| *other == name) {
                Some((_, is)) => self.compare(was, is, &here, found),
                // What is sent and no longer known is refused where the object is closed, and lost where it is open.
                None => found.push(Break::new(&here, "is gone")),
            }
            match self.direction {
                Direction::Sent if must_now.contains(name) && !must.contains(name) => {
                    found.push(Break::new(here, "is required now"));
                }
                Direction::Read if must.contains(name) && !must_now.contains(name) => {
                    found.push(Break::new(here, "may be missing now"));
                }
                Direction::Sent | Direction::Read => {}
            }
        }
        if self.direction == Direction::Sent {
            let known: BTreeSet<&String> = members(old, "properties")
                .into_iter()
                .map(|(name, _)| name)
                .collect();
            for name in must_now
                .iter()
                .filter(|name| !known.contains(name) && !must.contains(*name))
            {
                found.push(Break::new(format!("{place}.{name}"), "is new and required"));
            }
            if closed(new) && !closed(old) && is_object(old) {
                found.push(Break::new(place, "other fields are refused now"));
            }
        }
    }

    /// Items and the parts that a schema is put together of.
    fn parts(&mut self, old: &Value, new: &Value, place: &str, found: &mut Vec<Break>) {
        for name in ["items", "additionalProperties"] {
            let here = format!("{place}[]");
            match (old.get(name), new.get(name)) {
                (Some(was), Some(is)) if was.is_object() && is.is_object() => {
                    self.compare(was, is, &here, found)
                }
                (None, Some(is)) if is.is_object() && self.direction == Direction::Sent => {
                    found.push(Break::new(here, "is restricted now"));
                }
                (_, _) => {}
            }
        }
        let (was, is) = (alternatives(old), alternatives(new));
        if is_put_together(old) || is_put_together(new) {
            // Every form that was sent must find one that takes it; every form that is read must have been there.
            let (all, one_of) = match self.direction {
                Direction::Sent => (&was, &is),
                Direction::Read => (&is, &was),
            };
            for (index, form) in all.iter().enumerate() {
                let taken = one_of.iter().any(|other| match self.direction {
                    Direction::Sent => self.fits(form, other),
                    Direction::Read => self.fits(other, form),
                });
                if !taken {
                    let nth = index + 1;
                    found.push(Break::new(
                        place,
                        match self.direction {
                            Direction::Sent => format!("form {nth} is no longer accepted"),
                            Direction::Read => format!("form {nth} is new to whoever reads it"),
                        },
                    ));
                }
            }
        }
        let (was, is) = (items(old, "allOf"), items(new, "allOf"));
        for (was, is) in was.iter().zip(&is) {
            self.compare(was, is, place, found);
        }
        if was.len() != is.len() {
            found.push(Break::new(place, "is put together otherwise"));
        }
    }

    /// Whether one form takes the place of another without a break.
    fn fits(&self, old: &Value, new: &Value) -> bool {
        let mut alone = Pair {
            under_way: self.under_way.clone(),
            ..*self
        };
        let mut found = Vec::new();
        alone.compare(old, new, "", &mut found);
        found.is_empty()
    }
}

fn is_object(schema: &Value) -> bool {
    types(schema).contains("object") || schema.get("properties").is_some()
}

fn is_put_together(schema: &Value) -> bool {
    schema.get("oneOf").is_some() || schema.get("anyOf").is_some()
}

/// The forms of a schema: its alternatives, or itself.
fn alternatives(schema: &Value) -> Vec<&Value> {
    let mut forms = items(schema, "oneOf");
    forms.extend(items(schema, "anyOf"));
    if forms.is_empty() { vec![schema] } else { forms }
}

fn types(schema: &Value) -> BTreeSet<String> {
    match schema.get("type") {
        Some(Value::String(one)) => BTreeSet::from([one.clone()]),
        Some(Value::Array(many)) => many.iter().filter_map(Value::as_str).map(str::to_owned).collect(),
        Some(_) | None => BTreeSet::new(),
    }
}

fn words(schema: &Value) -> Option<BTreeSet<String>> {
    let words = schema.get("enum")?.as_array()?;
    Some(words.iter().map(Value::to_string).collect())
}

fn list(words: &BTreeSet<String>) -> String {
    if words.is_empty() {
        return "anything".to_owned();
    }
    words.iter().cloned().collect::<Vec<_>>().join(" or ")
}
