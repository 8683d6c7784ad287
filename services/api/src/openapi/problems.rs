//! What can go wrong in an operation: sign-in, permission and problems that follow from its shape, and its own.
//!
//! Answers that several operations share stand once, under `components/responses`, named after their codes.

use super::{CSV_COLUMNS, IDEMPOTENT, PERMISSION, PROBLEMS, once};
use crate::permission;
use clampward_wire::problem::{self, Kind, MEDIA_TYPE, Problem};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use utoipa::openapi::content::ContentBuilder;
use utoipa::openapi::example::ExampleBuilder;
use utoipa::openapi::header::HeaderBuilder;
use utoipa::openapi::path::Operation;
use utoipa::openapi::schema::{ObjectBuilder, Type};
use utoipa::openapi::security::SecurityRequirement;
use utoipa::openapi::{Ref, RefOr, Response, ResponseBuilder};

/// Answers that several operations share, by name.
pub(super) type Shared = BTreeMap<String, RefOr<Response>>;

/// Adds sign-in, permission and problems to an operation.
pub(super) fn complete(operation: &mut Operation, shared: &mut Shared) {
    let extension = |operation: &Operation, name: &str| {
        let all = operation.extensions.as_ref();
        all.and_then(|all| all.get(name)).cloned()
    };
    let named = extension(operation, PERMISSION)
        .and_then(|value| value.as_str().map(str::to_owned))
        .unwrap_or_default();
    let row = permission::TABLE.iter().find(|row| row.name == named);
    let mut codes: BTreeSet<&'static str> =
        BTreeSet::from([problem::INTERNAL_ERROR.code, problem::UNAVAILABLE.code]);
    // What the frame may answer in the operation's place.
    codes.extend([
        problem::ADDRESS_TOO_LONG.code,
        problem::HEADERS_TOO_LARGE.code,
        problem::TOOK_TOO_LONG.code,
    ]);
    if row.is_some() || operation.request_body.is_some() {
        codes.insert(problem::OVERLOADED.code);
    }
    // Unknown parameters are refused everywhere, also where there are none.
    codes.insert(problem::INVALID_PARAMETERS.code);
    if let Some(row) = row {
        codes.extend([
            problem::NOT_SIGNED_IN.code,
            problem::NOT_ALLOWED.code,
            problem::TOO_MANY_REQUESTS.code,
        ]);
        operation.security = Some(vec![SecurityRequirement::new("bearer", Vec::<String>::new())]);
        let roles: Vec<&str> = row.roles.iter().map(|role| role.code()).collect();
        let note = format!("Permission: `{}` ({}).", row.name, roles.join(", "));
        let description = operation.description.take().unwrap_or_default();
        operation.description = Some(format!("{description}\n\n{note}").trim().to_owned());
    } else {
        operation.security = Some(Vec::new());
    }
    if let Some(body) = &operation.request_body {
        codes.extend([problem::BODY_TOO_LARGE.code, problem::UNSUPPORTED_MEDIA_TYPE.code]);
        // A form is refused in words of its own.
        let is_json = match body {
            RefOr::T(body) => body.content.contains_key("application/json"),
            RefOr::Ref(_) => true,
        };
        if is_json {
            codes.extend([problem::MALFORMED_JSON.code, problem::INVALID_INPUT.code]);
        }
    }
    let columns = extension(operation, CSV_COLUMNS);
    if let Some(Value::Array(columns)) = &columns {
        codes.insert(problem::NOT_ACCEPTABLE.code);
        let columns: Vec<&str> = columns.iter().filter_map(Value::as_str).collect();
        offer_streams(operation, &columns);
    }
    if extension(operation, IDEMPOTENT).is_some() {
        codes.extend([
            problem::INVALID_HEADER.code,
            problem::IDEMPOTENCY_KEY_IN_USE.code,
            problem::IDEMPOTENCY_KEY_REUSED.code,
        ]);
        once::take_key(operation);
    }
    if let Some(Value::Array(own)) = extension(operation, PROBLEMS) {
        let own: Vec<&str> = own.iter().filter_map(Value::as_str).collect();
        let known = problem::CODES.iter().map(|kind| kind.code);
        codes.extend(known.filter(|code| own.contains(code)));
    }
    if let Some(extensions) = operation.extensions.as_mut() {
        extensions.insert(PROBLEMS.to_owned(), codes.iter().copied().collect());
    }
    let mut by_status: BTreeMap<u16, Vec<&'static Kind>> = BTreeMap::new();
    for kind in codes.into_iter().filter_map(problem::kind) {
        by_status.entry(kind.status).or_default().push(kind);
    }
    for (status, kinds) in by_status {
        let name = shared_name(&kinds);
        let reference = RefOr::Ref(Ref::new(format!("#/components/responses/{name}")));
        shared
            .entry(name)
            .or_insert_with(|| RefOr::T(problem_response(status, &kinds)));
        operation
            .responses
            .responses
            .insert(status.to_string(), reference);
    }
}

/// Says that a list can be had as a stream of CSV or of JSON lines.
fn offer_streams(operation: &mut Operation, columns: &[&str]) {
    let note = format!(
        "`Accept: text/csv` or `application/x-ndjson` streams the whole filtered list, without `after` and `limit`. Rows may \
         change while it runs; where the caller's access is withdrawn meanwhile, it breaks off. CSV has the columns {}; several \
         words in one cell are separated by spaces, and a text that a spreadsheet would compute has an apostrophe before it. \
         JSON lines end with `{{\"end\": true, \"items\": n}}`: without that line the list is not whole.",
        columns
            .iter()
            .map(|name| format!("`{name}`"))
            .collect::<Vec<_>>()
            .join(", ")
    );
    let description = operation.description.take().unwrap_or_default();
    operation.description = Some(format!("{description}\n\n{note}").trim().to_owned());
    if let Some(RefOr::T(response)) = operation.responses.responses.get_mut("200") {
        let text = || ObjectBuilder::new().schema_type(Type::String);
        for media_type in ["text/csv", "application/x-ndjson"] {
            let content = ContentBuilder::new().schema(Some(text())).build();
            response.content.insert(media_type.to_owned(), RefOr::T(content));
        }
    }
}

/// `NotSignedIn`, `InvalidParametersOrMalformedJson`.
fn shared_name(kinds: &[&'static Kind]) -> String {
    let names: Vec<String> = kinds.iter().map(|kind| capitalised(kind.code)).collect();
    names.join("Or")
}

fn capitalised(code: &str) -> String {
    code.split('-')
        .flat_map(|word| {
            let mut letters = word.chars();
            let first = letters.next().map(|letter| letter.to_ascii_uppercase());
            first.into_iter().chain(letters)
        })
        .collect()
}

fn problem_response(status: u16, kinds: &[&'static Kind]) -> Response {
    let text: Vec<String> = kinds
        .iter()
        .map(|kind| format!("`{}`: {}.", kind.code, kind.title))
        .collect();
    let examples = kinds.iter().map(|kind| {
        let mut problem = Problem::new(
            **kind,
            kind.help.split_inclusive(". ").next().unwrap_or_default().trim(),
        );
        problem.instance = Some("urn:uuid:01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10".to_owned());
        let example = ExampleBuilder::new()
            .summary(kind.title)
            .value(Some(serde_json::to_value(problem).unwrap_or_default()))
            .build();
        (kind.code, RefOr::T(example))
    });
    let content = ContentBuilder::new()
        .schema(Some(RefOr::Ref(Ref::from_schema_name("Problem"))))
        .examples_from_iter(examples)
        .build();
    let mut response = ResponseBuilder::new()
        .description(text.join(" "))
        .content(MEDIA_TYPE, content);
    if status == 401 {
        response = response.header("WWW-Authenticate", text_header("`Bearer`."));
    }
    if status == 429 || status == 503 {
        response = response.header("Retry-After", text_header("Seconds to wait before asking again."));
    }
    response.build()
}

fn text_header(description: &str) -> utoipa::openapi::Header {
    HeaderBuilder::new()
        .schema(Some(ObjectBuilder::new().schema_type(Type::String)))
        .description(Some(description))
        .build()
}
