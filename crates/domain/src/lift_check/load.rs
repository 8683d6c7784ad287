//! Mass of what hangs on the hook: L · W · t · ρ, exact in both unit systems.
//!
//! Owns the mass and nothing else.

use super::request::{LiftCheckRequest, Plate};
use crate::exact::{Exact, exact, whole};
use crate::quantity::{Density, DensityUnit, Length};
use rust_decimal::Decimal;

/// Density of carbon steel, kg/m³: 490 lb/ft³ in round figures, one inch of plate 40.8 lb/ft².
pub const CARBON_STEEL_KG_PER_M3: u32 = 7850;
/// Millimetres of an international foot.
const FOOT_MM: Decimal = Decimal::from_parts(3048, 0, 0, false, 1);

/// Mass of all plates of the lift in kilograms; `None` if it is not known.
pub(super) fn of(request: &LiftCheckRequest) -> Option<Exact> {
    let one = match request.plate {
        Plate::Dimensions {
            length,
            width,
            thickness,
            density,
        } => plate_mass(length, width, thickness, density),
        Plate::Weighed { mass, .. } => exact(mass.kilograms()),
        Plate::MassUnknown { .. } => return None,
    };
    let all = one * whole(u32::from(request.plate_count()));
    (all > whole(0)).then_some(all)
}

/// Mass of one plate in kilograms.
fn plate_mass(length: Length, width: Length, thickness: Length, density: Option<Density>) -> Exact {
    let per_cubic_foot =
        exact(density.map_or_else(carbon_steel, |density| density.kilograms_per_cubic_foot()));
    let feet = |side: Length| exact(side.millimetres()) / exact(FOOT_MM);
    feet(length) * feet(width) * feet(thickness) * per_cubic_foot
}

/// Kilograms per cubic foot of carbon steel.
fn carbon_steel() -> Decimal {
    Density::new(
        Decimal::from(CARBON_STEEL_KG_PER_M3),
        DensityUnit::KilogramPerCubicMetre,
    )
    .map_or(Decimal::MAX, |density| density.kilograms_per_cubic_foot())
}
