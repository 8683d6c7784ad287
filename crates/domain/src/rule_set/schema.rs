//! How the contract shows a clock rule: three objects that `rule` tells apart. What they mean stands beside the type.

use super::types::{ClockRule, IntervalRule};
use crate::calendar::Interval;
use crate::source::Source;
use std::borrow::Cow;
use utoipa::openapi::schema::{Discriminator, ObjectBuilder, OneOfBuilder, Schema, Type};
use utoipa::openapi::{Ref, RefOr};
use utoipa::{PartialSchema, ToSchema};

/// One form of the rule, by the name that the contract gives it.
fn form(rule: &str, what: &str, fields: &[(&str, &str, &str)]) -> RefOr<Schema> {
    let word = ObjectBuilder::new()
        .schema_type(Type::String)
        .description(Some("Which of the forms it is."))
        .enum_values(Some([rule]));
    let mut object = ObjectBuilder::new()
        .description(Some(what))
        .property("rule", word)
        .required("rule");
    for (name, schema, description) in fields {
        let mut field = Ref::from_schema_name(*schema);
        (*description).clone_into(&mut field.description);
        object = object.property(*name, field).required(*name);
    }
    object.into()
}

impl PartialSchema for ClockRule {
    fn schema() -> RefOr<Schema> {
        let form = |name: &str| Ref::from_schema_name(name);
        OneOfBuilder::new()
            .description(Some("What a rule set says about one clock in one service class."))
            .item(form("ClockFixed"))
            .item(form("ClockDirected"))
            .item(form("ClockNotFixed"))
            .discriminator(Some(Discriminator::with_mapping(
                "rule",
                [
                    ("fixed", "#/components/schemas/ClockFixed"),
                    ("directed", "#/components/schemas/ClockDirected"),
                    ("not_fixed", "#/components/schemas/ClockNotFixed"),
                ],
            )))
            .into()
    }
}

impl ToSchema for ClockRule {
    fn name() -> Cow<'static, str> {
        Cow::Borrowed("ClockRule")
    }
    fn schemas(schemas: &mut Vec<(String, RefOr<Schema>)>) {
        schemas.extend([
            (
                "ClockFixed".to_owned(),
                form(
                    "fixed",
                    "A fixed interval.",
                    &[
                        ("default", "Interval", "What holds where the yard chose nothing."),
                        (
                            "longest",
                            "Interval",
                            "The longest that a yard may choose; shorter is always allowed.",
                        ),
                        ("source", "Source", "Who says so."),
                    ],
                ),
            ),
            (
                "ClockDirected".to_owned(),
                form(
                    "directed",
                    "As a qualified person directs in a dated entry; without one the clamp is not fit.",
                    &[
                        (
                            "each_use_within",
                            "Interval",
                            "With the direction \"each use\": how long a credited inspection holds.",
                        ),
                        ("source", "Source", "Who says so."),
                    ],
                ),
            ),
            (
                "ClockNotFixed".to_owned(),
                form(
                    "not_fixed",
                    "No interval is fixed: nothing falls due unless the yard or the maker sets one.",
                    &[("source", "Source", "Who says so.")],
                ),
            ),
            ("Interval".to_owned(), Interval::schema()),
            ("Source".to_owned(), Source::schema()),
        ]);
        IntervalRule::schemas(schemas);
    }
}
