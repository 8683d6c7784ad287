//! Checks on the published contract, made on its JSON alone: its style, its examples, and what it promised before.
//!
//! Knows OpenAPI and the house's style; knows nothing of the service, and never reaches a network.

pub mod compatible;
mod examples;
mod lint;

use crate::failure::{Done, Failure};
use serde_json::Value;

/// The methods of a path item.
const METHODS: [&str; 8] = [
    "get", "put", "post", "delete", "options", "head", "patch", "trace",
];

/// Fails with everything that breaks the style or an example's schema.
pub fn lint(document: &Value) -> Done {
    let mut problems = lint::problems(document);
    problems.extend(examples::problems(document));
    if problems.is_empty() {
        println!("{} operations are as they should be", operations(document).len());
        return Ok(());
    }
    Err(Failure::new(format!(
        "{} problems of the contract:\n  {}",
        problems.len(),
        problems.join("\n  ")
    )))
}

/// An operation with where it stands.
#[derive(Clone, Copy)]
struct Operation<'a> {
    path: &'a str,
    method: &'a str,
    value: &'a Value,
    item: &'a Value,
}

impl Operation<'_> {
    /// `GET /v1/clamps`.
    fn place(&self) -> String {
        format!("{} {}", self.method.to_uppercase(), self.path)
    }
}

/// Every operation of the paths; events are not among them.
fn operations(document: &Value) -> Vec<Operation<'_>> {
    let paths = document.get("paths").and_then(Value::as_object);
    paths
        .into_iter()
        .flatten()
        .flat_map(|(path, item)| {
            METHODS.into_iter().filter_map(move |method| {
                item.get(method).map(|value| Operation {
                    path,
                    method,
                    value,
                    item,
                })
            })
        })
        .collect()
}

/// What a value refers to, or the value itself.
fn resolved<'a>(document: &'a Value, value: &'a Value) -> &'a Value {
    let mut value = value;
    // A chain of references is short; a circle of nothing but references would never end.
    for _ in 0..8 {
        let Some(target) = value
            .get("$ref")
            .and_then(Value::as_str)
            .and_then(|reference| document.pointer(reference.strip_prefix('#')?))
        else {
            break;
        };
        value = target;
    }
    value
}

/// The members of an object, none of anything else.
fn members<'a>(value: &'a Value, name: &str) -> Vec<(&'a String, &'a Value)> {
    value
        .get(name)
        .and_then(Value::as_object)
        .into_iter()
        .flatten()
        .collect()
}

/// The items of a list, none of anything else.
fn items<'a>(value: &'a Value, name: &str) -> Vec<&'a Value> {
    value
        .get(name)
        .and_then(Value::as_array)
        .into_iter()
        .flatten()
        .collect()
}

/// A text member, empty if there is none.
fn text<'a>(value: &'a Value, name: &str) -> &'a str {
    value.get(name).and_then(Value::as_str).unwrap_or_default()
}
