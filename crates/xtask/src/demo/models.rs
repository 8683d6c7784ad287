//! Eight invented models of three invented makers.

use super::ids;
use clampward_domain::ids::ModelId;
use clampward_domain::quantity::{Length, LengthUnit, Mass, MassUnit, Range};
use clampward_domain::reference::{Model, WearPoint};
use clampward_domain::words::{ClampKind, EyeKind, LockKind};
use rust_decimal::Decimal;

/// A row of the table below.
struct Row {
    maker: &'static str,
    model: &'static str,
    kind: ClampKind,
    wll_kg: i64,
    jaw: (i64, i64),
    lock: LockKind,
    eye: EyeKind,
    eye_nominal: i64,
    pin_nominal: i64,
}

const ROWS: [Row; 8] = [
    Row {
        maker: "Ostvik Klammer",
        model: "OK-V1",
        kind: ClampKind::Vertical,
        wll_kg: 1000,
        jaw: (0, 20),
        lock: LockKind::Spring,
        eye: EyeKind::Free,
        eye_nominal: 16,
        pin_nominal: 14,
    },
    Row {
        maker: "Ostvik Klammer",
        model: "OK-V3",
        kind: ClampKind::Vertical,
        wll_kg: 3000,
        jaw: (5, 40),
        lock: LockKind::Spring,
        eye: EyeKind::Free,
        eye_nominal: 24,
        pin_nominal: 20,
    },
    Row {
        maker: "Ostvik Klammer",
        model: "OK-U3",
        kind: ClampKind::VerticalTurning180,
        wll_kg: 3000,
        jaw: (5, 40),
        lock: LockKind::Spring,
        eye: EyeKind::Free,
        eye_nominal: 25,
        pin_nominal: 20,
    },
    Row {
        maker: "Greywater Forge",
        model: "GF 6",
        kind: ClampKind::VerticalTurning90,
        wll_kg: 6000,
        jaw: (10, 60),
        lock: LockKind::Spring,
        eye: EyeKind::SinglePivot,
        eye_nominal: 32,
        pin_nominal: 26,
    },
    Row {
        maker: "Greywater Forge",
        model: "GF 9",
        kind: ClampKind::VerticalTurning180,
        wll_kg: 9000,
        jaw: (20, 80),
        lock: LockKind::Spring,
        eye: EyeKind::Free,
        eye_nominal: 38,
        pin_nominal: 30,
    },
    Row {
        maker: "Greywater Forge",
        model: "GF S2",
        kind: ClampKind::Vertical,
        wll_kg: 2000,
        jaw: (3, 30),
        lock: LockKind::Screw,
        eye: EyeKind::Free,
        eye_nominal: 20,
        pin_nominal: 16,
    },
    Row {
        maker: "Tornhagen",
        model: "TH-H4",
        kind: ClampKind::Horizontal,
        wll_kg: 4000,
        jaw: (5, 50),
        lock: LockKind::None,
        eye: EyeKind::Free,
        eye_nominal: 26,
        pin_nominal: 20,
    },
    Row {
        maker: "Tornhagen",
        model: "TH-V5",
        kind: ClampKind::Vertical,
        wll_kg: 5000,
        jaw: (10, 55),
        lock: LockKind::Spring,
        eye: EyeKind::Free,
        eye_nominal: 30,
        pin_nominal: 24,
    },
];

/// How many there are.
pub const COUNT: usize = ROWS.len();

/// The id of the model with that index.
pub fn id(index: usize) -> ModelId {
    ModelId::new(ids::named(&format!("model {index}")))
}

/// Nominal size of its shackle eye in millimetres.
pub fn eye_nominal(index: usize) -> i64 {
    ROWS.get(index).map_or(20, |row| row.eye_nominal)
}

/// Its WLL in kilograms.
pub fn wll_kg(index: usize) -> i64 {
    ROWS.get(index).map_or(1000, |row| row.wll_kg)
}

/// Every model with its id.
pub fn all() -> Result<Vec<(ModelId, Model)>, clampward_domain::quantity::QuantityError> {
    ROWS.iter()
        .enumerate()
        .map(|(index, row)| Ok((id(index), model(row)?)))
        .collect()
}

fn millimetres(value: i64) -> Result<Length, clampward_domain::quantity::QuantityError> {
    Length::new(Decimal::from(value), LengthUnit::Millimetre)
}

fn model(row: &Row) -> Result<Model, clampward_domain::quantity::QuantityError> {
    let point = |criterion: &str, nominal| -> Result<WearPoint, clampward_domain::quantity::QuantityError> {
        Ok(WearPoint {
            criterion: criterion.to_owned(),
            nominal: millimetres(nominal)?,
            limit_percent: None,
            maker_document: None,
        })
    };
    // A clamp without a lock has none of its parts.
    let without = match row.lock {
        LockKind::None => vec![
            "lock_handle_damaged",
            "lock_ring_missing",
            "lock_does_not_hold",
            "lock_slot_dimpled",
        ],
        LockKind::Screw => vec![
            "lock_ring_missing",
            "spring_missing",
            "spring_stretched",
            "spring_gouged_or_kinked",
        ],
        LockKind::Spring => Vec::new(),
    };
    Ok(Model {
        maker: row.maker.to_owned(),
        model: row.model.to_owned(),
        kind: row.kind,
        wll: Mass::new(Decimal::from(row.wll_kg), MassUnit::Kilogram)?,
        jaw_opening: Range {
            min: millimetres(row.jaw.0)?,
            max: millimetres(row.jaw.1)?,
        },
        minimum_load_percent: None,
        hardness_limit_hb: None,
        temperature: None,
        inspection_intervals: None,
        lock: Some(row.lock),
        eye: Some(row.eye),
        custom_design: false,
        stack_lifting: false,
        without_criteria: without.into_iter().map(str::to_owned).collect(),
        wear_points: vec![
            point("shackle_eye_worn", row.eye_nominal)?,
            point("pin_worn", row.pin_nominal)?,
        ],
        lift_ratings: Vec::new(),
    })
}
