//! The published contract: generated from the operations, completed from the tables of permissions and problems.
//!
//! Each operation names its permission (`x-permission`, or `public`) and the problems that are its own
//! (`x-problems`); what every operation of its shape can answer is added here.

use crate::permission;
use clampward_domain::ids::{
    ClampId, CompetenceId, EntryId, LiftCheckId, LockoutId, ModelId, PersonId, YardId,
};
use clampward_wire::problem::{self, FieldError, Kind, MEDIA_TYPE, Problem};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use utoipa::openapi::content::ContentBuilder;
use utoipa::openapi::path::{Operation, PathItem};
use utoipa::openapi::schema::{ObjectBuilder, Schema, Type};
use utoipa::openapi::security::{Http, HttpAuthScheme, SecurityRequirement, SecurityScheme};
use utoipa::openapi::tag::TagBuilder;
use utoipa::openapi::{
    ComponentsBuilder, ContactBuilder, InfoBuilder, LicenseBuilder, OpenApi, OpenApiBuilder, Ref, RefOr,
    ResponseBuilder,
};
use utoipa::{PartialSchema, ToSchema};
use utoipa_actix_web::AppExt;

/// Name of an operation's permission in the contract.
pub const PERMISSION: &str = "x-permission";
/// Name of an operation's own problems in the contract.
pub const PROBLEMS: &str = "x-problems";
/// Name of the headings that a list has as CSV in the contract: it can be had as a stream then.
pub const CSV_COLUMNS: &str = "x-csv-columns";
/// The permission of an operation that needs none.
pub const PUBLIC: &str = "public";

const DESCRIPTION: &str = "Plate clamps over their whole life: what each one is, where it is, whether it may be used now, \
and why not. Errors are problem documents (RFC 9457); their `type` is the path of a help page. Unknown fields in requests \
are refused; clients must ignore unknown fields in answers, where lists of words may also grow.";

/// The whole document.
pub fn document() -> OpenApi {
    let (_, mut document) = actix_web::App::new()
        .into_utoipa_app()
        .openapi(base())
        .configure(crate::routes::register)
        .split_for_parts();
    let components = document.components.get_or_insert_default();
    components.schemas.insert("Problem".to_owned(), Problem::schema());
    components
        .schemas
        .insert("FieldError".to_owned(), FieldError::schema());
    ids(&mut components.schemas);
    let mut schemas = Vec::new();
    Problem::schemas(&mut schemas);
    components.schemas.extend(schemas);
    for item in document.paths.paths.values_mut() {
        for (_, operation) in operations_mut(item) {
            complete(operation);
        }
    }
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
        ("LiftCheckId", LiftCheckId::schema()),
    ] {
        schemas.insert(name.to_owned(), schema);
    }
}

/// The document as it is published: readable, with a line feed at its end left to whoever writes it.
pub fn text() -> Result<String, serde_json::Error> {
    let mut document = serde_json::to_value(document())?;
    extensions_last(&mut document);
    serde_json::to_string_pretty(&document)
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

fn base() -> OpenApi {
    let info = InfoBuilder::new()
        .title("Clampward")
        .version(env!("CARGO_PKG_VERSION"))
        .description(Some(DESCRIPTION))
        .license(Some(
            LicenseBuilder::new()
                .name("Apache-2.0")
                .identifier(Some("Apache-2.0"))
                .build(),
        ))
        .contact(Some(
            ContactBuilder::new()
                .name(Some("The people who run this service"))
                .build(),
        ))
        .build();
    let bearer = SecurityScheme::Http(Http::new(HttpAuthScheme::Bearer));
    let tags = [
        ("Sign-in", "Tokens, sessions, and who one is."),
        ("People", "Accounts, roles, yards and competences."),
        ("Reference data", "Yards, models, rule sets and criteria."),
        ("Clamps", "Clamps, their entries and their fitness."),
        ("Lift checks", "May I lift this with that?"),
        ("Operations", "Health, documentation and help."),
    ];
    OpenApiBuilder::new()
        .info(info)
        .tags(Some(tags.map(|(name, text)| {
            TagBuilder::new().name(name).description(Some(text)).build()
        })))
        .components(Some(
            ComponentsBuilder::new().security_scheme("bearer", bearer).build(),
        ))
        .build()
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

/// Adds sign-in, permission and problems to an operation.
fn complete(operation: &mut Operation) {
    let extension = |name: &str| {
        operation
            .extensions
            .as_ref()
            .and_then(|all| all.get(name))
            .cloned()
    };
    let named = extension(PERMISSION)
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
    if operation.request_body.is_some() {
        codes.extend([
            problem::MALFORMED_JSON.code,
            problem::BODY_TOO_LARGE.code,
            problem::UNSUPPORTED_MEDIA_TYPE.code,
            problem::INVALID_INPUT.code,
        ]);
    }
    let columns = extension(CSV_COLUMNS);
    if columns.is_some() {
        codes.insert(problem::NOT_ACCEPTABLE.code);
    }
    if let Some(Value::Array(own)) = extension(PROBLEMS) {
        let own: Vec<&str> = own.iter().filter_map(Value::as_str).collect();
        codes.extend(
            problem::CODES
                .iter()
                .map(|kind| kind.code)
                .filter(|code| own.contains(code)),
        );
    }
    if let Some(Value::Array(columns)) = &columns {
        let columns: Vec<&str> = columns.iter().filter_map(Value::as_str).collect();
        offer_streams(operation, &columns);
    }
    let mut by_status: BTreeMap<u16, Vec<&'static Kind>> = BTreeMap::new();
    for kind in codes.into_iter().filter_map(problem::kind) {
        by_status.entry(kind.status).or_default().push(kind);
    }
    for (status, kinds) in by_status {
        operation
            .responses
            .responses
            .insert(status.to_string(), RefOr::T(problem_response(&kinds)));
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

fn problem_response(kinds: &[&'static Kind]) -> utoipa::openapi::Response {
    let text: Vec<String> = kinds
        .iter()
        .map(|kind| format!("`{}`: {}.", kind.code, kind.title))
        .collect();
    let example = kinds.first().map(|kind| {
        let mut problem = Problem::new(**kind, kind.title);
        problem.instance = Some("urn:uuid:01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10".to_owned());
        serde_json::to_value(problem).unwrap_or_default()
    });
    let content = ContentBuilder::new()
        .schema(Some(RefOr::Ref(Ref::from_schema_name("Problem"))))
        .example(example)
        .build();
    ResponseBuilder::new()
        .description(text.join(" "))
        .content(MEDIA_TYPE, content)
        .build()
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
