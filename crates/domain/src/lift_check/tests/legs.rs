//! Sling angles and leg tension. Printed factors: Sharrow Lifting Products sling catalogue p. 93
//! (https://www.sharrowlifting.com/) and Ashley Sling (https://ashleysling.com/calculating-sling-angles/).

use super::*;

/// Tension of a 2000 kg plate on two legs: 1000 kg times the factor.
fn tension_at(angle: &str) -> Decimal {
    let mut request = request(2);
    request.angle_from_horizontal = degrees(angle);
    answer(&request, &model()).tension_per_clamp.unwrap().kilograms()
}

#[test]
fn tension_follows_the_published_sling_factors() {
    for (angle, exact, printed) in [
        ("90", "1.000000000", "1.000"),
        ("85", "1.003819838", "1.004"),
        ("80", "1.015426612", "1.015"),
        ("75", "1.035276180", "1.035"),
        ("70", "1.064177772", "1.064"),
        ("65", "1.103377919", "1.104"),
        ("60", "1.154700538", "1.155"),
        ("55", "1.220774589", "1.221"),
        ("50", "1.305407289", "1.305"),
        ("45", "1.414213562", "1.414"),
        ("40", "1.555723827", "1.555"),
        ("35", "1.743446796", "1.742"),
        ("30", "2.000000000", "2.000"),
    ] {
        let factor = tension_at(angle) / Decimal::ONE_THOUSAND;
        assert!(
            (factor - decimal(exact)).abs() < decimal("0.0000002"),
            "{angle}°: {factor}, exact {exact}"
        );
        assert!(
            (factor - decimal(printed)).abs() < decimal("0.0021"),
            "{angle}°: {factor}, printed {printed}"
        );
    }
}

#[test]
fn ten_thousand_pounds_on_two_legs_at_45_degrees_pull_7070_pounds_a_leg() {
    // Worked example of the sling catalogues: 10 000 lb, 45°, 7 070 lb per leg.
    let mut request = request(2);
    request.angle_from_horizontal = degrees("45");
    request.plate = Plate::Weighed {
        mass: Mass::parse("10000", "[lb_av]").unwrap(),
        thickness: mm("20"),
    };
    let tension = answer(&request, &model()).tension_per_clamp.unwrap();
    let pounds = tension.kilograms() / decimal("0.45359237");
    assert!((pounds - decimal("7070")).abs() < decimal("2"), "{pounds}");
}

#[test]
fn tension_equal_to_the_wll_passes_and_the_next_digit_stops() {
    // At 30° the sine is exactly one half: 1500 kg a leg pulls exactly 3000 kg.
    let mut flat = request(2);
    flat.angle_from_horizontal = degrees("30");
    flat.plate = Plate::Weighed {
        mass: kg("3000"),
        thickness: mm("20"),
    };
    let at_the_limit = answer(&flat, &model());
    assert_eq!(codes(&at_the_limit), NO_STOP);
    assert_eq!(at_the_limit.utilisation, Some(Figure::new(decimal("100"), "%")));
    flat.plate = Plate::Weighed {
        mass: kg("3000.0001"),
        thickness: mm("20"),
    };
    let over = answer(&flat, &model());
    assert_eq!(codes(&over), ["tension_over_wll"]);
    assert_eq!(
        over.reasons.len(),
        2,
        "both clamps: either leg may be the heavier"
    );
    assert_eq!(
        over.reasons[0].value,
        Some(Figure::new(decimal("3000.0001"), "kg"))
    );
    assert_eq!(over.reasons[0].limit, Some(Figure::new(decimal("3000"), "kg")));

    let mut straight = request(1);
    straight.plate = Plate::Weighed {
        mass: kg("3000"),
        thickness: mm("20"),
    };
    assert_eq!(stops(&straight, &model()), NO_STOP);
    straight.plate = Plate::Weighed {
        mass: kg("3000.0001"),
        thickness: mm("20"),
    };
    assert_eq!(stops(&straight, &model()), ["tension_over_wll"]);
}

#[test]
fn where_the_sine_is_irrational_the_last_digit_still_decides() {
    // 6000 kg · sin 45° = 4242.640687… kg; 6000 kg · sin 60° = 5196.152422… kg.
    for (angle, passes, over) in [("45", "4242.6406", "4242.6407"), ("60", "5196.1524", "5196.1525")] {
        let mut request = request(2);
        request.hoist_capacity = None;
        request.angle_from_horizontal = degrees(angle);
        request.plate = Plate::Weighed {
            mass: kg(passes),
            thickness: mm("20"),
        };
        assert_eq!(stops(&request, &model()), NO_STOP, "{passes} kg at {angle}°");
        request.plate = Plate::Weighed {
            mass: kg(over),
            thickness: mm("20"),
        };
        assert_eq!(
            stops(&request, &model()),
            ["tension_over_wll"],
            "{over} kg at {angle}°"
        );
    }
}

#[test]
fn below_30_degrees_stops_and_below_45_cautions() {
    for (angle, stop, caution) in [
        ("29.9999", true, false),
        ("30", false, true),
        ("44.9999", false, true),
        ("45", false, false),
        ("90", false, false),
    ] {
        let mut request = request(2);
        request.angle_from_horizontal = degrees(angle);
        let answer = answer(&request, &model());
        assert_eq!(codes(&answer).contains(&"angle_too_low"), stop, "{angle}°");
        assert_eq!(
            has_caution(&answer, CautionCode::AngleBelow45),
            caution,
            "{angle}°"
        );
    }
}

#[test]
fn no_leg_lies_flat_or_leans_beyond_straight_up() {
    let mut request = request(2);
    request.angle_from_horizontal = degrees("0");
    let flat = answer(&request, &model());
    assert_eq!(codes(&flat), ["angle_too_low"]);
    assert_eq!((flat.tension_per_clamp, flat.utilisation), (None, None));
    request.angle_from_horizontal = degrees("90.0001");
    assert_eq!(stops(&request, &model()), ["angle_out_of_range"]);
}

#[test]
fn one_leg_hangs_straight_or_stops() {
    let mut request = request(1);
    assert_eq!(stops(&request, &model()), NO_STOP);
    request.angle_from_horizontal = degrees("89.9999");
    assert_eq!(stops(&request, &model()), ["one_leg_not_vertical"]);
}

#[test]
fn one_clamp_per_leg_each_listed_once() {
    let mut twice = request(2);
    twice.clamps = vec![id(1), id(1)];
    assert_eq!(stops(&twice, &model()), ["clamp_listed_twice"]);
    let mut missing = request(2);
    missing.clamps.pop();
    assert_eq!(stops(&missing, &model()), ["clamps_not_legs"]);
    let mut stranger = request(2);
    stranger.clamps[1] = id(77);
    assert_eq!(stops(&stranger, &model()), ["clamp_unknown"]);
    let none = request(0);
    assert_eq!(
        stops(&none, &model()),
        ["clamps_not_legs", "legs_out_of_range"][1..]
    );
    assert!(stops(&request(5), &model()).contains(&"legs_out_of_range".to_owned()));
}
