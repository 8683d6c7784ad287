//! The published contract: generated from the operations, completed from the tables of permissions and problems.
//!
//! Each operation names its permission (`x-permission`, or `public`) and the problems that are its own
//! (`x-problems`); what every operation of its shape can answer is added here.

mod examples;
mod front;
mod once;
mod problem_schema;
mod problems;
mod tidy;
mod webhooks;

use clampward_domain::ids::{
    ClampId, CompetenceId, DeviceId, EntryId, LiftCheckId, LockoutId, ModelId, PersonId, YardId,
};
use serde_json::Value;
use std::collections::BTreeMap;
use utoipa::PartialSchema;
use utoipa::openapi::path::{Operation, PathItem};
use utoipa::openapi::schema::Schema;
use utoipa::openapi::{OpenApi, RefOr, Response};
use utoipa_actix_web::AppExt;

/// Name of an operation's permission in the contract.
pub const PERMISSION: &str = "x-permission";
/// Name of an operation's own problems in the contract.
pub const PROBLEMS: &str = "x-problems";
/// Name of the headings that a list has as CSV in the contract: it can be had as a stream then.
pub const CSV_COLUMNS: &str = "x-csv-columns";
/// Says in the contract that an operation takes an `Idempotency-Key`.
pub const IDEMPOTENT: &str = "x-idempotent";
/// The permission of an operation that needs none.
pub const PUBLIC: &str = "public";

/// The whole document, as the operations say it.
pub fn document() -> OpenApi {
    let (_, mut document) = actix_web::App::new()
        .into_utoipa_app()
        .openapi(front::front())
        .configure(crate::routes::register)
        .split_for_parts();
    let components = document.components.get_or_insert_default();
    problem_schema::describe(&mut components.schemas);
    ids(&mut components.schemas);
    let mut shared = problems::Shared::new();
    for item in document.paths.paths.values_mut() {
        for (_, operation) in operations_mut(item) {
            problems::complete(operation, &mut shared);
        }
    }
    document
        .components
        .get_or_insert_default()
        .responses
        .extend(shared);
    document
}

/// The ids, which parameters refer to by name.
fn ids(schemas: &mut BTreeMap<String, RefOr<Schema>>) {
    for (name, schema) in [
        ("ClampId", ClampId::schema()),
        ("EntryId", EntryId::schema()),
        ("LockoutId", LockoutId::schema()),
        ("YardId", YardId::schema()),
        ("ModelId", ModelId::schema()),
        ("PersonId", PersonId::schema()),
        ("CompetenceId", CompetenceId::schema()),
        ("DeviceId", DeviceId::schema()),
        ("LiftCheckId", LiftCheckId::schema()),
    ] {
        schemas.insert(name.to_owned(), schema);
    }
}

/// The document as it is published: tidied, with the events that will be delivered.
pub fn published() -> Result<Value, serde_json::Error> {
    let mut document = serde_json::to_value(document())?;
    examples::add(&mut document)?;
    front::summarise(&mut document);
    webhooks::add(&mut document);
    tidy::tidy(&mut document);
    extensions_last(&mut document);
    Ok(document)
}

/// The published document as text, with a line feed at its end left to whoever writes it.
pub fn text() -> Result<String, serde_json::Error> {
    serde_json::to_string_pretty(&published()?)
}

/// An operation's answer with a status, whether it is its own or shared by several.
pub fn response<'a>(document: &'a OpenApi, operation: &'a Operation, status: &str) -> Option<&'a Response> {
    let named = match operation.responses.responses.get(status)? {
        RefOr::T(response) => return Some(response),
        RefOr::Ref(reference) => reference.ref_location.strip_prefix("#/components/responses/")?,
    };
    match document.components.as_ref()?.responses.get(named)? {
        RefOr::T(response) => Some(response),
        RefOr::Ref(_) => None,
    }
}

/// Extensions come without an order of their own: they go last, by name, so that the text is the same every time.
fn extensions_last(value: &mut Value) {
    if let Some(list) = value.as_array_mut() {
        list.iter_mut().for_each(extensions_last);
    }
    let Some(object) = value.as_object_mut() else {
        return;
    };
    let mut names: Vec<_> = object
        .keys()
        .filter(|name| name.starts_with("x-"))
        .cloned()
        .collect();
    names.sort();
    for name in names {
        if let Some(extension) = object.shift_remove(&name) {
            object.insert(name, extension);
        }
    }
    object.values_mut().for_each(extensions_last);
}

/// The operations of a path, by method.
pub fn operations(item: &PathItem) -> Vec<(&'static str, &Operation)> {
    [
        ("GET", &item.get),
        ("PUT", &item.put),
        ("POST", &item.post),
        ("DELETE", &item.delete),
        ("PATCH", &item.patch),
        ("HEAD", &item.head),
        ("OPTIONS", &item.options),
    ]
    .into_iter()
    .filter_map(|(method, operation)| operation.as_ref().map(|operation| (method, operation)))
    .collect()
}

fn operations_mut(item: &mut PathItem) -> Vec<(&'static str, &mut Operation)> {
    [
        ("GET", &mut item.get),
        ("PUT", &mut item.put),
        ("POST", &mut item.post),
        ("DELETE", &mut item.delete),
        ("PATCH", &mut item.patch),
        ("HEAD", &mut item.head),
        ("OPTIONS", &mut item.options),
    ]
    .into_iter()
    .filter_map(|(method, operation)| operation.as_mut().map(|operation| (method, operation)))
    .collect()
}

/// The addresses that the contract knows, for telling 405 from 404.
#[derive(Clone)]
pub struct Addresses(Vec<(Vec<String>, Vec<String>)>);

impl Addresses {
    /// Those of a document.
    pub fn of(document: &OpenApi) -> Self {
        let addresses = document.paths.paths.iter().map(|(path, item)| {
            let steps = path.split('/').map(str::to_owned).collect();
            let methods = operations(item)
                .into_iter()
                .map(|(method, _)| method.to_owned())
                .collect();
            (steps, methods)
        });
        Self(addresses.collect())
    }
    /// The methods that an address knows.
    pub fn methods_of(&self, path: &str) -> Vec<String> {
        let given: Vec<&str> = path.split('/').collect();
        let fits = |steps: &[String]| {
            steps.len() == given.len()
                && steps.iter().zip(&given).all(|(step, part)| {
                    if step.starts_with('{') {
                        !part.is_empty()
                    } else {
                        step == part
                    }
                })
        };
        self.0
            .iter()
            .filter(|(steps, _)| fits(steps))
            .flat_map(|(_, methods)| methods.clone())
            .collect()
    }
}
