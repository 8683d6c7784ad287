//! How the contract shows a plate and a surface: the forms that [`Plate`] reads, none of which fits another's fields.

use super::{Plate, Surface};
use crate::quantity::{Density, Length, Mass};
use std::borrow::Cow;
use utoipa::openapi::schema::{
    AdditionalProperties, ArrayBuilder, ObjectBuilder, OneOfBuilder, Schema, Type,
};
use utoipa::openapi::{Ref, RefOr};
use utoipa::{PartialSchema, ToSchema};

/// A field: its name, its schema's name, whether it must be given.
type Field = (&'static str, &'static str, bool);

const FORMS: [(&str, &str, &[Field]); 3] = [
    (
        "PlateOfDimensions",
        "A plate by its dimensions; the mass follows from them. Density: carbon steel, 7850 kg/m³, if left out.",
        &[
            ("length", "Length", true),
            ("width", "Length", true),
            ("thickness", "Length", true),
            ("density", "Density", false),
        ],
    ),
    (
        "PlateOfMass",
        "A plate that was weighed, or whose mass stands in its papers.",
        &[("mass", "Mass", true), ("thickness", "Length", true)],
    ),
    (
        "PlateOfUnknownMass",
        "A plate of unknown mass: not lifted.",
        &[("thickness", "Length", true)],
    ),
];

fn form(what: &str, fields: &[Field]) -> RefOr<Schema> {
    let mut object = ObjectBuilder::new()
        .description(Some(what))
        .additional_properties(Some(AdditionalProperties::FreeForm(false)));
    for (name, schema, required) in fields {
        object = object.property(*name, Ref::from_schema_name(*schema));
        if *required {
            object = object.required(*name);
        }
    }
    object.into()
}

impl PartialSchema for Plate {
    fn schema() -> RefOr<Schema> {
        let forms = FORMS.iter().fold(OneOfBuilder::new(), |forms, (name, _, _)| {
            forms.item(Ref::from_schema_name(*name))
        });
        forms
            .description(Some("The plate: its dimensions, or its mass and thickness."))
            .into()
    }
}

impl ToSchema for Plate {
    fn name() -> Cow<'static, str> {
        Cow::Borrowed("Plate")
    }
    fn schemas(schemas: &mut Vec<(String, RefOr<Schema>)>) {
        schemas.extend([
            ("Length".to_owned(), Length::schema()),
            ("Mass".to_owned(), Mass::schema()),
            ("Density".to_owned(), Density::schema()),
            // Named by `surfaces`, which cannot bring it along.
            (Surface::name().into_owned(), Surface::schema()),
        ]);
        schemas.extend(
            FORMS
                .iter()
                .map(|(name, what, fields)| ((*name).to_owned(), form(what, fields))),
        );
    }
}

/// A word, or a list of words, or nothing.
pub(super) fn surfaces() -> RefOr<Schema> {
    let word = || Ref::from_schema_name(Surface::name());
    OneOfBuilder::new()
        .item(word())
        .item(
            ArrayBuilder::new()
                .items(word())
                .max_items(Some(super::MAX_SURFACES)),
        )
        .item(ObjectBuilder::new().schema_type(Type::Null))
        .description(Some(
            "What is, or is wrong, in the bite of the jaws: a word or a list of words. Left out: not looked at.",
        ))
        .into()
}
