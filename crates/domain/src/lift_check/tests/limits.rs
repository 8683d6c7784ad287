//! Limits at which the lift still passes, and the next value that stops.

use super::*;
use crate::reference::LiftRating;

#[test]
fn both_ends_of_the_jaw_opening_pass() {
    for (thickness, expected) in [
        ("9.9999", true),
        ("10", false),
        ("50", false),
        ("50.0001", true),
        ("0", true),
    ] {
        let mut request = request(1);
        request.plate = Plate::Weighed {
            mass: kg("2000"),
            thickness: mm(thickness),
        };
        let answer = answer(&request, &model());
        assert_eq!(
            codes(&answer).contains(&"thickness_outside_jaw_opening"),
            expected,
            "{thickness} mm"
        );
    }
    // 2 in is 50.8 mm; 1.9685 in is 49.9999 mm.
    let mut request = request(1);
    request.plate = Plate::Weighed {
        mass: kg("2000"),
        thickness: inches("1.9685"),
    };
    assert_eq!(stops(&request, &model()), NO_STOP);
    request.plate = Plate::Weighed {
        mass: kg("2000"),
        thickness: inches("1.9686"),
    };
    assert_eq!(stops(&request, &model()), ["thickness_outside_jaw_opening"]);
}

#[test]
fn share_equal_to_the_minimum_load_passes() {
    let mut request = request(1);
    request.plate = Plate::Weighed {
        mass: kg("600"),
        thickness: mm("20"),
    };
    assert_eq!(stops(&request, &model()), NO_STOP);
    request.plate = Plate::Weighed {
        mass: kg("599.9999"),
        thickness: mm("20"),
    };
    assert_eq!(stops(&request, &model()), ["share_below_minimum"]);
    let mut gentle = model();
    gentle.minimum_load_percent = Some(decimal("5"));
    request.plate = Plate::Weighed {
        mass: kg("150"),
        thickness: mm("20"),
    };
    assert_eq!(stops(&request, &gentle), NO_STOP);
    request.plate = Plate::Weighed {
        mass: kg("149.9999"),
        thickness: mm("20"),
    };
    assert_eq!(stops(&request, &gentle), ["share_below_minimum"]);
}

#[test]
fn ten_degrees_of_tilt_pass_on_a_single_pivot_eye() {
    // DGUV 209-019.
    let mut request = request(1);
    request.tilt = Some(degrees("10.0"));
    assert_eq!(stops(&request, &model()), NO_STOP);
    request.tilt = Some(degrees("10.1"));
    assert_eq!(stops(&request, &model()), ["tilt_over_ten_degrees"]);
    let with_eye = |eye| Model { eye, ..model() };
    assert_eq!(stops(&request, &with_eye(Some(EyeKind::Free))), NO_STOP);
    assert_eq!(
        stops(&request, &with_eye(None)),
        ["tilt_over_ten_degrees"],
        "an unknown eye counts as single pivot"
    );
    request.tilt = None;
    assert!(has_caution(
        &answer(&request, &model()),
        CautionCode::TiltNotGiven
    ));
}

#[test]
fn hardness_equal_to_the_limit_passes() {
    let with_limit = |limit| Model {
        hardness_limit_hb: limit,
        ..model()
    };
    for (hardness, limit, expected) in [
        (Some(250), Some(250), &NO_STOP[..]),
        (Some(251), Some(250), &["hardness_over_limit"]),
        (None, Some(250), &["hardness_unknown"]),
        // Without a model limit 300 HB (from memory).
        (Some(300), None, &NO_STOP[..]),
        (Some(301), None, &["hardness_over_default"]),
        (None, None, &NO_STOP[..]),
        (Some(400), Some(400), &NO_STOP[..]),
    ] {
        let mut request = request(1);
        request.hardness_hb = hardness;
        assert_eq!(
            stops(&request, &with_limit(limit)),
            expected,
            "{hardness:?} HB, limit {limit:?}"
        );
    }
    let mut request = request(1);
    request.hardness_hb = None;
    assert!(has_caution(
        &answer(&request, &model()),
        CautionCode::HardnessNotKnown
    ));
}

#[test]
fn a_steel_grade_counts_as_its_highest_hardness() {
    let limited = Model {
        hardness_limit_hb: Some(200),
        ..model()
    };
    let clamps = [clamp(1, &limited)];
    let with_grade = |measured, grade| {
        let mut request = request(1);
        request.hardness_hb = measured;
        request.steel_grade = Some("S690".to_owned());
        let context = LiftContext {
            grade_hardness_hb: grade,
            ..trained()
        };
        check(&request, &clamps, &context)
    };
    assert_eq!(codes(&with_grade(None, Some(200))), NO_STOP);
    assert_eq!(codes(&with_grade(None, Some(201))), ["hardness_over_limit"]);
    assert_eq!(codes(&with_grade(Some(150), Some(201))), ["hardness_over_limit"]);
    assert_eq!(
        codes(&with_grade(None, None)),
        ["hardness_unknown"],
        "a grade that is not listed says nothing"
    );
}

#[test]
fn both_ends_of_the_temperature_range_pass_in_both_scales() {
    // One maker's instructions: 25 to 150 °F, here −4 to 66 °C.
    for (value, unit, stop) in [
        ("-4", "Cel", false),
        ("-4.0001", "Cel", true),
        ("66", "Cel", false),
        ("66.0001", "Cel", true),
        ("24.8", "[degF]", false),
        ("24.7999", "[degF]", true),
        ("25", "[degF]", false),
        ("150", "[degF]", false),
        ("150.8", "[degF]", false),
        ("150.8001", "[degF]", true),
    ] {
        let mut plate = request(1);
        plate.temperature = Some(Temperature::parse(value, unit).unwrap());
        let mut air = request(1);
        air.air_temperature = plate.temperature;
        let expected: &[&str] = if stop { &["temperature_out_of_range"] } else { &[] };
        assert_eq!(stops(&plate, &model()), expected, "plate at {value} {unit}");
        assert_eq!(stops(&air, &model()), expected, "air at {value} {unit}");
    }
    let range = Range {
        min: Temperature::parse("25", "[degF]").unwrap(),
        max: Temperature::parse("150", "[degF]").unwrap(),
    };
    let own = Model {
        temperature: Some(range),
        ..model()
    };
    let mut request = request(1);
    for (value, expected) in [
        ("65.5555", &NO_STOP[..]),
        ("65.5556", &["temperature_out_of_range"]),
    ] {
        request.temperature = Some(celsius(value));
        assert_eq!(stops(&request, &own), expected, "{value} °C against 150 °F");
    }
}

#[test]
fn the_hoist_lifts_plate_clamps_and_rigging_and_equal_passes() {
    // 2000 kg plate, 20 kg clamp, 50 kg rigging.
    let mut request = request(1);
    request.hoist_capacity = Some(kg("2070"));
    assert_eq!(stops(&request, &model()), NO_STOP);
    request.hoist_capacity = Some(kg("2069.9999"));
    let over = answer(&request, &model());
    assert_eq!(codes(&over), ["hoist_overloaded"]);
    assert_eq!(over.reasons[0].value, Some(Figure::new(decimal("2070"), "kg")));
    request.rigging_mass = None;
    let without = answer(&request, &model());
    assert_eq!(codes(&without), NO_STOP);
    assert!(has_caution(&without, CautionCode::RiggingMassNotGiven));
    request.hoist_capacity = None;
    assert!(has_caution(
        &answer(&request, &model()),
        CautionCode::HoistCapacityNotGiven
    ));
}

#[test]
fn the_lowest_rating_that_applies_to_kind_and_angle_counts() {
    let rating = |lift, angle: Option<&str>, wll| LiftRating {
        lift,
        angle_from_horizontal: angle.map(degrees),
        wll: kg(wll),
    };
    let rated = Model {
        minimum_load_percent: Some(decimal("5")),
        lift_ratings: vec![
            rating(LiftKind::Vertical, None, "2500"),
            rating(LiftKind::Vertical, Some("60"), "1500"),
            rating(LiftKind::Turning180, None, "1000"),
        ],
        ..model()
    };
    let mut request = request(2);
    request.plate = Plate::Weighed {
        mass: kg("2600"),
        thickness: mm("20"),
    };
    let limit_at = |angle: &str| {
        let mut request = request.clone();
        request.angle_from_horizontal = degrees(angle);
        answer(&request, &rated)
            .reasons
            .first()
            .and_then(|reason| reason.limit.clone())
    };
    assert_eq!(limit_at("60.0001"), None, "1501 kg against 2500 kg");
    assert_eq!(
        limit_at("60"),
        Some(Figure::new(decimal("1500"), "kg")),
        "at and below 60°"
    );
    request.lift = LiftKind::Turning180;
    assert_eq!(stops(&request, &rated), ["tension_over_wll"]);
    request.lift = LiftKind::Turning90;
    let unrated = answer(&request, &rated);
    assert_eq!(codes(&unrated), NO_STOP);
    assert!(has_caution(&unrated, CautionCode::NoRatingForLift));
}
