//! What is asked before a lift, in the field names of the HTTP contract.
//!
//! Owns the shape of the question. Which of its values stop a lift is decided elsewhere.

#[cfg(feature = "openapi")]
mod schema;

use crate::ids::{ClampId, LiftCheckId};
use crate::quantity::{Angle, Density, Length, Mass, Temperature};
use crate::words::LiftKind;
use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize};

/// Most clamps that one question may list.
pub const MAX_CLAMPS: usize = 16;
/// Most surface words that one question may list.
pub const MAX_SURFACES: usize = 16;
/// Most characters of a steel grade.
pub const MAX_GRADE_CHARACTERS: usize = 64;

/// A question: may these clamps lift this plate so?
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct LiftCheckRequest {
    /// Chosen by the caller.
    pub id: LiftCheckId,
    /// The clamps, one per leg.
    #[serde(deserialize_with = "few_clamps")]
    #[cfg_attr(feature = "openapi", schema(max_items = 16))]
    pub clamps: Vec<ClampId>,
    /// One plate.
    pub plate: Plate,
    /// Hardness of its surface, Brinell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hardness_hb: Option<u16>,
    /// Its steel grade; counts as the highest hardness that the yard's list gives it.
    #[serde(
        default,
        skip_serializing_if = "Option::is_none",
        deserialize_with = "short_grade"
    )]
    #[cfg_attr(feature = "openapi", schema(max_length = 64))]
    pub steel_grade: Option<String>,
    /// What is, or is wrong, in the bite of the jaws: a word or a list of words. Left out: not looked at.
    #[serde(
        default,
        skip_serializing_if = "Option::is_none",
        deserialize_with = "one_or_many"
    )]
    #[cfg_attr(feature = "openapi", schema(schema_with = schema::surfaces))]
    pub surface: Option<Vec<Surface>>,
    /// Temperature of the plate, and of the air where `air_temperature` is left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature: Option<Temperature>,
    /// Temperature of the air.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub air_temperature: Option<Temperature>,
    /// Number of plates lifted at once; one if left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub plates: Option<u16>,
    /// Whether the plate is pulled from under a stack.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from_under_stack: Option<bool>,
    /// The kind of lift.
    pub lift: LiftKind,
    /// Number of legs.
    pub legs: u8,
    /// Angle of the legs from horizontal: 90 is straight up. Not the included angle, nor the one from vertical.
    pub angle_from_horizontal: Angle,
    /// Distance between the clamps (of three or four: between the two ends).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clamp_spacing: Option<Length>,
    /// Distance of the centre of gravity from mid-span.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub centre_of_gravity_offset: Option<Length>,
    /// Tilt of the pull across the clamp's body.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tilt: Option<Angle>,
    /// What the hoist may lift.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hoist_capacity: Option<Mass>,
    /// Mass of slings, shackles and beams.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rigging_mass: Option<Mass>,
    /// Whether a clamp hangs straight on the crane hook.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub on_crane_hook: Option<bool>,
    /// The operator's own check: lock tried by hand, plate at the throat, teeth clean, eye free.
    pub every_lift_check: EveryLiftCheck,
}

impl LiftCheckRequest {
    /// How many plates.
    pub fn plate_count(&self) -> u16 {
        self.plates.unwrap_or(1)
    }
}

/// The plate: either its dimensions, or its mass and thickness.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(untagged, try_from = "AnyPlate")]
pub enum Plate {
    /// Dimensions; the mass follows from them.
    Dimensions {
        /// Length.
        length: Length,
        /// Width.
        width: Length,
        /// Thickness.
        thickness: Length,
        /// Density; carbon steel, 7850 kg/m³, if left out.
        #[serde(skip_serializing_if = "Option::is_none")]
        density: Option<Density>,
    },
    /// Weighed, or taken from its papers.
    Weighed {
        /// Mass.
        mass: Mass,
        /// Thickness.
        thickness: Length,
    },
    /// Of unknown mass: not lifted.
    MassUnknown {
        /// Thickness.
        thickness: Length,
    },
}

impl Plate {
    /// Thickness of one plate.
    pub const fn thickness(&self) -> Length {
        match self {
            Self::Dimensions { thickness, .. }
            | Self::Weighed { thickness, .. }
            | Self::MassUnknown { thickness } => *thickness,
        }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct AnyPlate {
    #[serde(default, deserialize_with = "given")]
    length: Option<Length>,
    #[serde(default, deserialize_with = "given")]
    width: Option<Length>,
    thickness: Length,
    #[serde(default, deserialize_with = "given")]
    density: Option<Density>,
    #[serde(default, deserialize_with = "given")]
    mass: Option<Mass>,
}

/// Left out, or given: a plate's fields tell its form, so that null is neither.
fn given<'de, T: Deserialize<'de>, D: Deserializer<'de>>(deserializer: D) -> Result<Option<T>, D::Error> {
    T::deserialize(deserializer).map(Some)
}

impl TryFrom<AnyPlate> for Plate {
    type Error = &'static str;

    fn try_from(plate: AnyPlate) -> Result<Self, Self::Error> {
        let AnyPlate {
            length,
            width,
            thickness,
            density,
            mass,
        } = plate;
        match (length, width, mass, density) {
            (Some(length), Some(width), None, density) => Ok(Self::Dimensions {
                length,
                width,
                thickness,
                density,
            }),
            (None, None, Some(mass), None) => Ok(Self::Weighed { mass, thickness }),
            (None, None, None, None) => Ok(Self::MassUnknown { thickness }),
            (Some(_), _, Some(_), _) | (_, Some(_), Some(_), _) | (_, _, Some(_), Some(_)) => Err(
                "a plate has either length, width and thickness (and density), or mass and thickness, not both",
            ),
            (Some(_), None, None, _) | (None, Some(_), None, _) | (None, None, None, Some(_)) => {
                Err("a plate needs length, width and thickness, or mass and thickness")
            }
        }
    }
}

/// What is in the bite of the jaws.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum Surface {
    /// Bare, dry steel, flat and square.
    Clean,
    /// Mill scale that holds.
    TightMillScale,
    /// Paint.
    Paint,
    /// Plastic film.
    PlasticFilm,
    /// Oil.
    Oil,
    /// Grease.
    Grease,
    /// Ice.
    Ice,
    /// Scale that comes off.
    LooseScale,
    /// Tapered plate.
    Taper,
    /// Bent edge.
    BentEdge,
    /// Bevelled edge.
    BevelledEdge,
}

impl Surface {
    /// What keeps the teeth from gripping, in words; nothing for a surface that they grip.
    pub const fn trouble(self) -> Option<&'static str> {
        match self {
            Self::Clean | Self::TightMillScale => None,
            Self::Paint => Some("paint"),
            Self::PlasticFilm => Some("plastic film"),
            Self::Oil => Some("oil"),
            Self::Grease => Some("grease"),
            Self::Ice => Some("ice"),
            Self::LooseScale => Some("loose scale"),
            Self::Taper => Some("a taper"),
            Self::BentEdge => Some("a bent edge"),
            Self::BevelledEdge => Some("a bevelled edge"),
        }
    }
}

fn few_clamps<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<ClampId>, D::Error> {
    let clamps = Vec::deserialize(deserializer)?;
    if clamps.len() > MAX_CLAMPS {
        return Err(D::Error::custom(format!("at most {MAX_CLAMPS} clamps")));
    }
    Ok(clamps)
}

fn short_grade<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<String>, D::Error> {
    let grade = Option::<String>::deserialize(deserializer)?;
    if grade
        .as_ref()
        .is_some_and(|grade| grade.chars().count() > MAX_GRADE_CHARACTERS)
    {
        return Err(D::Error::custom(format!(
            "a steel grade has at most {MAX_GRADE_CHARACTERS} characters"
        )));
    }
    Ok(grade)
}

fn one_or_many<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<Vec<Surface>>, D::Error> {
    #[derive(Deserialize)]
    #[serde(
        untagged,
        expecting = "surface is one word or a list of words, for example \"oil\" or [\"oil\", \"paint\"]"
    )]
    enum OneOrMany {
        One(Surface),
        Many(Vec<Surface>),
    }
    match Option::<OneOrMany>::deserialize(deserializer)? {
        None => Ok(None),
        Some(OneOrMany::One(surface)) => Ok(Some(vec![surface])),
        Some(OneOrMany::Many(surfaces)) if surfaces.len() > MAX_SURFACES => {
            Err(D::Error::custom(format!("at most {MAX_SURFACES} surface words")))
        }
        Some(OneOrMany::Many(surfaces)) => Ok(Some(surfaces)),
    }
}

/// The operator's own check of the clamps, made before every lift.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum EveryLiftCheck {
    /// In order.
    Passed,
    /// Not in order: the clamps are tagged out for everyone.
    Failed,
    /// Not made.
    NotDone,
}
