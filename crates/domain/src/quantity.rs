//! Quantities with their unit: exact decimals, kept as entered, compared in SI.
//!
//! On the wire `{"value": "38.1", "unit": "mm"}` with UCUM unit codes. A JSON number is refused (it would be a float
//! on somebody's side), and so is "ton", which means three different masses.
//!
//! Exact conversions: international yard and pound agreement of 1959 (inch 25.4 mm, pound 0.45359237 kg); short ton
//! 2000 lb, long ton 2240 lb; pound-force by the standard gravity 9.80665 m/s² (3rd CGPM, 1901).

use rust_decimal::Decimal;
use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize};
use std::cmp::Ordering;

/// Digits allowed before the decimal point. Together with [`MAX_FRACTION_DIGITS`] it keeps every product that is
/// compared with a limit inside the 28 digits of the decimal type.
pub const MAX_INTEGER_DIGITS: usize = 7;
/// Digits allowed after the decimal point.
pub const MAX_FRACTION_DIGITS: usize = 4;

/// Why a text is not a quantity.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum QuantityError {
    /// Not a plain decimal number.
    #[error(
        "{0:?} is not a plain decimal number: write digits with a point, for example \"38.1\" (no exponent, no thousands separator)"
    )]
    NotDecimal(String),
    /// More digits than anybody measures.
    #[error(
        "{0:?} has too many digits: at most {MAX_INTEGER_DIGITS} before and {MAX_FRACTION_DIGITS} after the point"
    )]
    TooManyDigits(String),
    /// A negative length, mass, force or angle.
    #[error("{0} must not be negative")]
    Negative(String),
    /// A unit that this kind of quantity does not have.
    #[error("unit {unit:?} is not a unit of {quantity}: use one of {allowed}")]
    Unit {
        /// The kind of quantity.
        quantity: &'static str,
        /// What was given.
        unit: String,
        /// What may be given.
        allowed: String,
    },
}

/// Parses a plain decimal within the digit limits. The text `"3,000"`, `"1e3"`, `"NaN"` and `" 3"` are refused.
pub fn parse_decimal(text: &str) -> Result<Decimal, QuantityError> {
    let body = text.strip_prefix('-').unwrap_or(text);
    let (whole, fraction) = match body.split_once('.') {
        Some((whole, fraction)) => (whole, Some(fraction)),
        None => (body, None),
    };
    let digits = |part: &str| !part.is_empty() && part.bytes().all(|byte| byte.is_ascii_digit());
    if !digits(whole) || fraction.is_some_and(|part| !digits(part)) {
        return Err(QuantityError::NotDecimal(text.chars().take(60).collect()));
    }
    if whole.len() > MAX_INTEGER_DIGITS || fraction.is_some_and(|part| part.len() > MAX_FRACTION_DIGITS) {
        return Err(QuantityError::TooManyDigits(text.chars().take(60).collect()));
    }
    text.parse()
        .map_err(|_| QuantityError::NotDecimal(text.chars().take(60).collect()))
}

/// The wire form: a fault is found at the number or at the unit.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw<U> {
    #[serde(deserialize_with = "decimal_text")]
    value: Decimal,
    unit: U,
}

fn decimal_text<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Decimal, D::Error> {
    struct TextOnly;
    impl serde::de::Visitor<'_> for TextOnly {
        type Value = Decimal;
        fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
            f.write_str(
                "a decimal in quotes, for example \"38.1\" (a JSON number is refused: it may lose digits)",
            )
        }
        fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<Decimal, E> {
            parse_decimal(text).map_err(E::custom)
        }
    }
    deserializer.deserialize_any(TextOnly)
}

macro_rules! quantities {
    ($(
        $(#[$doc:meta])*
        $name:ident, $unit:ident, $word:literal, signed: $signed:literal {
            $($(#[$udoc:meta])* $variant:ident = $code:literal),+ $(,)?
        }
    )+) => {$(
        #[doc = concat!("Units of ", $word, ", by UCUM code.")]
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
        pub enum $unit { $($(#[$udoc])* #[serde(rename = $code)] $variant),+ }

        impl $unit {
            /// Every unit.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];
            /// The UCUM code.
            pub const fn code(self) -> &'static str { match self { $(Self::$variant => $code),+ } }
            /// The unit with that UCUM code.
            pub fn from_code(code: &str) -> Option<Self> {
                Self::ALL.iter().copied().find(|unit| unit.code() == code)
            }
        }

        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Serialize)]
        pub struct $name { value: Decimal, unit: $unit }

        impl $name {
            /// Parses the decimal text and keeps the unit it was entered in.
            pub fn parse(value: &str, unit: &str) -> Result<Self, QuantityError> {
                let unit = $unit::from_code(unit).ok_or_else(|| QuantityError::Unit {
                    quantity: $word,
                    unit: unit.chars().take(30).collect(),
                    allowed: $unit::ALL.iter().map(|unit| unit.code()).collect::<Vec<_>>().join(", "),
                })?;
                Self::new(parse_decimal(value)?, unit)
            }
            /// A quantity of this value and unit.
            pub fn new(value: Decimal, unit: $unit) -> Result<Self, QuantityError> {
                if !$signed && value.is_sign_negative() && !value.is_zero() {
                    return Err(QuantityError::Negative($word.to_owned()));
                }
                Ok(Self { value, unit })
            }
            /// The number as entered.
            pub const fn value(&self) -> Decimal { self.value }
            /// The unit as entered.
            pub const fn unit(&self) -> $unit { self.unit }
        }
        impl PartialEq for $name {
            /// Equal amounts are equal whatever the unit: 25.4 mm = 1 in.
            fn eq(&self, other: &Self) -> bool { self.cmp(other) == Ordering::Equal }
        }
        impl Eq for $name {}
        impl PartialOrd for $name {
            fn partial_cmp(&self, other: &Self) -> Option<Ordering> { Some(self.cmp(other)) }
        }
        impl Ord for $name {
            fn cmp(&self, other: &Self) -> Ordering { self.comparable().cmp(&other.comparable()) }
        }
        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                write!(f, "{} {}", self.value, plain_unit(self.unit.code()))
            }
        }
        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                let raw = Raw::<$unit>::deserialize(deserializer)?;
                Self::new(raw.value, raw.unit).map_err(D::Error::custom)
            }
        }
        #[cfg(feature = "openapi")]
        impl utoipa::PartialSchema for $name {
            fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
                quantity_schema($word, &$unit::ALL.iter().map(|unit| unit.code()).collect::<Vec<_>>(), $signed)
            }
        }
        #[cfg(feature = "openapi")]
        impl utoipa::ToSchema for $name {}
    )+};
}

quantities! {
    /// A length. SI: millimetres.
    Length, LengthUnit, "length", signed: false {
        /// Millimetre.
        Millimetre = "mm",
        /// Centimetre.
        Centimetre = "cm",
        /// Metre.
        Metre = "m",
        /// International inch, 25.4 mm.
        Inch = "[in_i]",
        /// International foot, 304.8 mm.
        Foot = "[ft_i]",
    }
    /// A mass. SI: kilograms.
    Mass, MassUnit, "mass", signed: false {
        /// Kilogram.
        Kilogram = "kg",
        /// Gram.
        Gram = "g",
        /// Tonne, 1000 kg.
        Tonne = "t",
        /// Avoirdupois pound, 0.45359237 kg.
        Pound = "[lb_av]",
        /// Short ton (US), 2000 lb.
        ShortTon = "[ston_av]",
        /// Long ton (GB), 2240 lb.
        LongTon = "[lton_av]",
    }
    /// A force. SI: newtons.
    Force, ForceUnit, "force", signed: false {
        /// Newton.
        Newton = "N",
        /// Kilonewton.
        Kilonewton = "kN",
        /// Pound-force, 4.4482216152605 N.
        PoundForce = "[lbf_av]",
    }
    /// A density.
    Density, DensityUnit, "density", signed: false {
        /// Kilogram per cubic metre.
        KilogramPerCubicMetre = "kg/m3",
        /// Pound per cubic foot.
        PoundPerCubicFoot = "[lb_av]/[ft_i]3",
    }
    /// An angle in degrees.
    Angle, AngleUnit, "angle", signed: false {
        /// Degree of arc.
        Degree = "deg",
    }
    /// A temperature.
    Temperature, TemperatureUnit, "temperature", signed: true {
        /// Degree Celsius.
        Celsius = "Cel",
        /// Degree Fahrenheit.
        Fahrenheit = "[degF]",
    }
}

impl Length {
    /// Millimetres, exact.
    pub fn millimetres(&self) -> Decimal {
        self.value
            * match self.unit {
                LengthUnit::Millimetre => Decimal::ONE,
                LengthUnit::Centimetre => Decimal::TEN,
                LengthUnit::Metre => Decimal::ONE_THOUSAND,
                LengthUnit::Inch => Decimal::new(254, 1),
                LengthUnit::Foot => Decimal::new(3048, 1),
            }
    }
    fn comparable(&self) -> Decimal {
        self.millimetres()
    }
}

impl Mass {
    /// Kilograms, exact.
    pub fn kilograms(&self) -> Decimal {
        self.value
            * match self.unit {
                MassUnit::Kilogram => Decimal::ONE,
                MassUnit::Gram => Decimal::new(1, 3),
                MassUnit::Tonne => Decimal::ONE_THOUSAND,
                MassUnit::Pound => Decimal::new(45_359_237, 8),
                MassUnit::ShortTon => Decimal::new(90_718_474, 5),
                MassUnit::LongTon => Decimal::new(10_160_469_088, 7),
            }
    }
    fn comparable(&self) -> Decimal {
        self.kilograms()
    }
}

impl Force {
    /// Newtons, exact.
    pub fn newtons(&self) -> Decimal {
        self.value
            * match self.unit {
                ForceUnit::Newton => Decimal::ONE,
                ForceUnit::Kilonewton => Decimal::ONE_THOUSAND,
                ForceUnit::PoundForce => Decimal::new(44_482_216_152_605, 13),
            }
    }
    fn comparable(&self) -> Decimal {
        self.newtons()
    }
}

impl Density {
    /// Kilograms per cubic foot of 0.028316846592 m³: exact for both units, unlike kilograms per cubic metre.
    pub fn kilograms_per_cubic_foot(&self) -> Decimal {
        self.value
            * match self.unit {
                DensityUnit::KilogramPerCubicMetre => Decimal::new(28_316_846_592, 12),
                DensityUnit::PoundPerCubicFoot => Decimal::new(45_359_237, 8),
            }
    }
    fn comparable(&self) -> Decimal {
        self.kilograms_per_cubic_foot()
    }
}

impl Angle {
    /// Degrees.
    pub fn degrees(&self) -> Decimal {
        self.value
    }
    fn comparable(&self) -> Decimal {
        self.value
    }
}

impl Temperature {
    /// Nine times the degrees Celsius: exact for both scales, unlike the division that °F → °C needs.
    pub fn ninefold_celsius(&self) -> Decimal {
        match self.unit {
            TemperatureUnit::Celsius => self.value * Decimal::from(9),
            TemperatureUnit::Fahrenheit => (self.value - Decimal::from(32)) * Decimal::from(5),
        }
    }
    fn comparable(&self) -> Decimal {
        self.ninefold_celsius()
    }
}

/// A unit as a person writes it.
fn plain_unit(code: &str) -> &str {
    match code {
        "[lb_av]" => "lb",
        "[ston_av]" => "short ton",
        "[lton_av]" => "long ton",
        "[in_i]" => "in",
        "[ft_i]" => "ft",
        "[lbf_av]" => "lbf",
        "kg/m3" => "kg/m³",
        "[lb_av]/[ft_i]3" => "lb/ft³",
        "deg" => "°",
        "Cel" => "°C",
        "[degF]" => "°F",
        other => other,
    }
}

#[cfg(feature = "openapi")]
fn quantity_schema(
    word: &str,
    units: &[&str],
    signed: bool,
) -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
    use utoipa::openapi::schema::{AdditionalProperties, ObjectBuilder, Type};
    let sign = if signed { "-?" } else { "" };
    ObjectBuilder::new()
        .description(Some(format!(
            "A {word}: an exact decimal as text and its UCUM unit."
        )))
        .property(
            "value",
            ObjectBuilder::new()
                .schema_type(Type::String)
                .description(Some("The number as text, exact; never a JSON number."))
                .examples(["38.1"])
                .pattern(Some(format!(
                    "^{sign}[0-9]{{1,{MAX_INTEGER_DIGITS}}}(\\.[0-9]{{1,{MAX_FRACTION_DIGITS}}})?$"
                ))),
        )
        .required("value")
        .property(
            "unit",
            ObjectBuilder::new()
                .schema_type(Type::String)
                .description(Some("The unit, by its UCUM code."))
                .enum_values(Some(units.iter().copied())),
        )
        .required("unit")
        .additional_properties(Some(AdditionalProperties::FreeForm(false)))
        .into()
}

/// A closed range of one kind of quantity, for example the plate thicknesses that a jaw takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Range<Q> {
    /// The smallest value, included.
    pub min: Q,
    /// The largest value, included.
    pub max: Q,
}

impl<Q: Ord> Range<Q> {
    /// Whether `value` lies in the range; both ends are in.
    pub fn contains(&self, value: &Q) -> bool {
        self.min <= *value && *value <= self.max
    }
    /// Whether the ends are in order.
    pub fn is_ordered(&self) -> bool {
        self.min <= self.max
    }
}

#[cfg(test)]
mod tests;
