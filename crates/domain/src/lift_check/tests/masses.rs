//! Plate weights in both unit systems. 7850 kg/m³: https://civiltutorials.com/calculation-of-steel-plate-weight;
//! 490 lb/ft³: https://ezcalculator.net/construction-calculators/plate-weight.

use super::*;
use crate::quantity::Density;

fn mass_of(length: Length, width: Length, thickness: Length, density: Option<Density>) -> Mass {
    let mut request = request(1);
    request.plate = Plate::Dimensions {
        length,
        width,
        thickness,
        density,
    };
    answer(&request, &model()).plate_mass.unwrap()
}

#[test]
fn carbon_steel_weighs_7_85_kilograms_per_square_metre_and_millimetre() {
    let metre = Length::parse("1", "m").unwrap();
    for (thickness, weight) in [
        ("3", "23.55"),
        ("5", "39.25"),
        ("6", "47.10"),
        ("8", "62.80"),
        ("10", "78.50"),
        ("12", "94.20"),
        ("15", "117.75"),
        ("16", "125.60"),
        ("20", "157.00"),
        ("25", "196.25"),
        ("30", "235.50"),
        ("40", "314.00"),
        ("50", "392.50"),
        ("60", "471.00"),
        ("80", "628.00"),
        ("100", "785.00"),
    ] {
        assert_eq!(
            mass_of(metre, metre, mm(thickness), None),
            kg(weight),
            "{thickness} mm"
        );
    }
    let (two, six) = (Length::parse("2", "m").unwrap(), Length::parse("6", "m").unwrap());
    assert_eq!(mass_of(two, six, mm("20"), None), kg("1884"));
    assert_eq!(mass_of(two, metre, mm("10"), None), kg("157"));
}

#[test]
fn a_square_foot_of_plate_weighs_what_the_imperial_tables_print() {
    let foot = Length::parse("1", "[ft_i]").unwrap();
    for (thickness, exact, printed) in [
        ("0.1875", "7.6572", Some("7.656")),
        ("0.25", "10.2096", Some("10.21")),
        ("0.3125", "12.7620", None),
        ("0.375", "15.3144", Some("15.31")),
        ("0.5", "20.4192", Some("20.41")),
        ("0.625", "25.5239", None),
        ("0.75", "30.6287", Some("30.63")),
        ("1", "40.8383", Some("40.84")),
        ("1.5", "61.2574", None),
        ("2", "81.6766", None),
    ] {
        let pounds = mass_of(foot, foot, inches(thickness), None).kilograms() / decimal("0.45359237");
        assert!(
            (pounds - decimal(exact)).abs() <= decimal("0.0003"),
            "{thickness} in: {pounds}, exact {exact}"
        );
        if let Some(printed) = printed {
            assert!(
                (pounds - decimal(printed)).abs() <= decimal("0.01"),
                "{thickness} in: {pounds}, {printed}"
            );
        }
    }
    let (four, eight) = (
        Length::parse("4", "[ft_i]").unwrap(),
        Length::parse("8", "[ft_i]").unwrap(),
    );
    let pounds = mass_of(four, eight, inches("0.25"), None).kilograms() / decimal("0.45359237");
    assert_eq!(pounds.round(), decimal("327"));
}

#[test]
fn another_metal_states_its_own_density() {
    let metre = Length::parse("1", "m").unwrap();
    let density = |value, unit| Some(Density::parse(value, unit).unwrap());
    assert_eq!(
        mass_of(metre, metre, mm("10"), density("2700", "kg/m3")),
        kg("27")
    );
    // 490 lb/ft³ on one cubic foot is 490 lb, whatever the metric density is.
    let foot = Length::parse("1", "[ft_i]").unwrap();
    let pounds = Mass::parse("490", "[lb_av]").unwrap().kilograms();
    let shown = mass_of(foot, foot, foot, density("490", "[lb_av]/[ft_i]3")).kilograms();
    assert!(shown >= pounds && shown - pounds < decimal("0.0001"), "{shown}");
}

#[test]
fn computed_mass_is_compared_exactly_and_only_shown_rounded() {
    // 1 in × 1 ft × 1 ft weighs 18.5239… kg: a digit that no table prints decides.
    let foot = Length::parse("1", "[ft_i]").unwrap();
    let mut request = request(1);
    request.plate = Plate::Dimensions {
        length: foot,
        width: foot,
        thickness: inches("1"),
        density: None,
    };
    let exact = answer(&request, &model()).plate_mass.unwrap().kilograms();
    let mut narrow = model();
    narrow.minimum_load_percent = Some(decimal("0.1"));
    narrow.wll = kg("18.5239");
    assert!(exact > decimal("18.5239"), "shown rounded up: {exact}");
    assert_eq!(stops(&request, &narrow), ["tension_over_wll"]);
    narrow.wll = kg("18.5240");
    assert_eq!(stops(&request, &narrow), NO_STOP);
}

#[test]
fn an_unknown_mass_stops() {
    let mut request = request(1);
    request.plate = Plate::MassUnknown { thickness: mm("20") };
    assert_eq!(stops(&request, &model()), ["mass_unknown"]);
    request.plate = Plate::Weighed {
        mass: kg("0"),
        thickness: mm("20"),
    };
    assert_eq!(stops(&request, &model()), ["mass_unknown"]);
}
