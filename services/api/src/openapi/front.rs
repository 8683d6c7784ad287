//! What stands before the operations: what the service is, its conventions, who may ask, and the groups of operations.

use serde_json::Value;
use utoipa::openapi::security::{HttpAuthScheme, HttpBuilder, SecurityScheme};
use utoipa::openapi::server::ServerBuilder;
use utoipa::openapi::tag::TagBuilder;
use utoipa::openapi::{
    ComponentsBuilder, ContactBuilder, InfoBuilder, LicenseBuilder, OpenApi, OpenApiBuilder,
};

/// The conventions of the whole contract.
const DESCRIPTION: &str = include_str!("../../docs/contract.md");

/// Groups of operations, in the order in which one meets them.
const TAGS: &[(&str, &str)] = &[
    (
        "Sign-in",
        "Tokens, sessions, and who one is. Access tokens are signed (EdDSA) and short-lived; refresh tokens are renewed with \
         each use, and the use of an old one ends the whole session.",
    ),
    (
        "People",
        "Accounts, roles and yards; competences, which decide what a person's word counts for. Nobody sets another's \
         password, records their own competence or changes their own roles.",
    ),
    (
        "Devices",
        "Tablets that people share: enrolled with a one-time code, known by a key of their own. Each person has a key of \
         their own on each device; what is not signed with it may restrict, but is never credited and releases nothing.",
    ),
    (
        "Held entries",
        "What devices sent and nobody could place: kept as it came until a person places or dismisses it, or its cause goes \
         away. What restricts, or cannot be read, bars the clamp that it names meanwhile.",
    ),
    (
        "Notices",
        "What people are told without asking: of one lock-out, entry or date, once each, by mail and here. Who acknowledges a \
         notice says that they see to it; otherwise those above them are told.",
    ),
    (
        "Bulletins",
        "Safety bulletins: what a maker, an authority or the safety team asks of every clamp of a kind, in all yards at once. \
         Clamps in scope are tagged out until an inspection for the bulletin accepts them; whatever is not known of a clamp \
         counts as in scope. A bulletin is closed once every clamp is accounted for. The maker's instructions and local law \
         come first.",
    ),
    (
        "Webhooks",
        "Programs that are told of events by signed posts (Standard Webhooks 1.0.0), each event under one id however often it is \
         tried. What can be told is described under `webhooks`. An event names what changed and carries no state: whoever is told \
         reads it.",
    ),
    (
        "Reference data",
        "Yards, models, rule sets and criteria. Changes are new versions that start on a later day; what was judged by an \
         earlier one stays so. A change needs the ETag in `If-Match`.",
    ),
    (
        "Clamps",
        "Clamps, their entries and their fitness. Everything about a clamp is computed from its entries, which are never \
         changed or deleted. An entry's id is chosen by whoever records it and makes sending again harmless.",
    ),
    (
        "Photos",
        "What entries cite as evidence, named by the SHA-256 of its bytes. Sent in pieces that may be broken off anywhere, before \
         or after the entry, which never waits for them. What is shown is a copy without position and time.",
    ),
    (
        "Lift checks",
        "May I lift this plate so, with these clamps? `stop` names every reason, its value, its limit and its source. `clear` \
         is for that lift only and replaces no competent person.",
    ),
    (
        "Reports",
        "Counts over the fleet, of the yards that one sees, now and as they were on any day. Barring lock-outs and overdue \
         inspections are counted apart.",
    ),
    (
        "Synchronisation",
        "For tablets that work offline, and for programs that follow what happens: pages of changes behind a cursor, \
         snapshots to begin with, digests to compare by.",
    ),
    (
        "Operations",
        "Health, keys and help: for whoever runs the service, and for programs that meet a problem.",
    ),
];

/// Adds the summary of the whole, for which the builder has no place.
pub(super) fn summarise(document: &mut Value) {
    let info = document.get_mut("info").and_then(Value::as_object_mut);
    if let Some(info) = info {
        info.insert(
            "summary".to_owned(),
            Value::from("Plate lifting clamps over their whole life"),
        );
    }
}

/// The document without its operations.
pub(super) fn front() -> OpenApi {
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
    let bearer = HttpBuilder::new()
        .scheme(HttpAuthScheme::Bearer)
        .bearer_format("JWT")
        .description(Some(
            "An access token of 15 minutes from `POST /v1/auth/token`, as `Authorization: Bearer …`.",
        ))
        .build();
    let server = ServerBuilder::new()
        .url("/")
        .description(Some("The service that serves this document."))
        .build();
    let tags = TAGS
        .iter()
        .map(|(name, text)| TagBuilder::new().name(*name).description(Some(*text)).build());
    OpenApiBuilder::new()
        .info(info)
        .servers(Some([server]))
        .tags(Some(tags))
        .components(Some(
            ComponentsBuilder::new()
                .security_scheme("bearer", SecurityScheme::Http(bearer))
                .build(),
        ))
        .build()
}
