//! The schema of a problem document, with the members that only some kinds have.

use clampward_domain::judge::Refusal;
use clampward_domain::returns::Unmet;
use clampward_domain::standing::Reason;
use clampward_wire::problem::{FieldError, Problem};
use std::collections::BTreeMap;
use utoipa::openapi::schema::{ArrayBuilder, Schema};
use utoipa::openapi::{Ref, RefOr};
use utoipa::{PartialSchema, ToSchema};

/// Adds a problem and everything it refers to.
pub(super) fn describe(schemas: &mut BTreeMap<String, RefOr<Schema>>) {
    let mut problem = Problem::schema();
    if let RefOr::T(Schema::Object(object)) = &mut problem {
        for (name, schema, description) in [
            (
                "unmet",
                Unmet::name(),
                "With `release-not-supported`: every condition of the return that does not hold.",
            ),
            (
                "reasons",
                Reason::name(),
                "With `tagged-out` and `not-fit`: why the clamp is not fit.",
            ),
            (
                "refusals",
                Refusal::name(),
                "Where the clamp's state refuses an entry: everything that does.",
            ),
        ] {
            let items = ArrayBuilder::new()
                .items(Ref::from_schema_name(schema))
                .description(Some(description));
            object
                .properties
                .insert(name.to_owned(), RefOr::T(Schema::Array(items.build())));
        }
    }
    let mut all = vec![
        ("Problem".to_owned(), problem),
        ("FieldError".to_owned(), FieldError::schema()),
        (Unmet::name().into_owned(), Unmet::schema()),
        (Reason::name().into_owned(), Reason::schema()),
        (Refusal::name().into_owned(), Refusal::schema()),
    ];
    Problem::schemas(&mut all);
    Unmet::schemas(&mut all);
    Reason::schemas(&mut all);
    Refusal::schemas(&mut all);
    schemas.extend(all);
}
