//! How several clamps share a plate: lever rule; two of three or four legs may carry all (US Navy rigging manual).

use super::*;

fn two_legs(spacing: &str, offset: &str) -> LiftCheckRequest {
    let mut request = request(2);
    request.clamp_spacing = Some(mm(spacing));
    request.centre_of_gravity_offset = Some(mm(offset));
    request
}

#[test]
fn two_legs_share_by_the_lever_rule() {
    // s = 2000 mm, e = 250 mm: shares (1000 ± 250) / 2000 of 2000 kg, 1250 and 750 kg.
    let answer = answer(&two_legs("2000", "250"), &model());
    assert_eq!(codes(&answer), NO_STOP);
    assert_eq!(answer.tension_per_clamp, Some(kg("1250")));
    // e = 400 mm: 1400 and 600 kg, the minimum of 20 % of 3000 kg: passes.
    assert_eq!(stops(&two_legs("2000", "400"), &model()), NO_STOP);
    assert_eq!(
        stops(&two_legs("2000", "400.0001"), &model()),
        ["share_below_minimum"]
    );
}

#[test]
fn a_centre_of_gravity_that_is_not_between_the_clamps_stops() {
    let mut light = model();
    light.minimum_load_percent = Some(decimal("0"));
    assert_eq!(stops(&two_legs("2000", "999.9999"), &light), NO_STOP);
    assert_eq!(
        stops(&two_legs("2000", "1000"), &light),
        ["centre_of_gravity_outside"]
    );
    assert_eq!(
        stops(&two_legs("2000", "1500"), &light),
        ["centre_of_gravity_outside"]
    );
    assert_eq!(stops(&two_legs("0", "0"), &light), ["centre_of_gravity_outside"]);
    let answer = answer(&two_legs("2000", "1000"), &light);
    assert_eq!(
        answer.tension_per_clamp,
        Some(kg("2000")),
        "one end carries everything"
    );
}

#[test]
fn an_offset_without_a_spacing_stops() {
    let mut request = request(2);
    request.centre_of_gravity_offset = Some(mm("100"));
    assert_eq!(stops(&request, &model()), ["clamp_spacing_missing"]);
    request.centre_of_gravity_offset = None;
    request.clamp_spacing = Some(mm("2000"));
    let answer = answer(&request, &model());
    assert_eq!(codes(&answer), NO_STOP);
    assert!(has_caution(&answer, CautionCode::BalanceAssumed));
}

#[test]
fn four_clamps_count_half_the_plate_for_tension_and_a_quarter_for_the_minimum() {
    // 4 clamps of WLL 3000 kg, minimum 20 % = 600 kg, plate 2000 kg: W/2 = 1000 kg, but W/4 = 500 kg stops.
    let answer = answer(&request(4), &model());
    assert_eq!(codes(&answer), ["share_below_minimum"]);
    assert_eq!(answer.reasons.len(), 4);
    assert_eq!(answer.tension_per_clamp, Some(kg("1000")));
    assert_eq!(answer.reasons[0].value, Some(Figure::new(decimal("500"), "kg")));
    assert_eq!(answer.reasons[0].limit, Some(Figure::new(decimal("600"), "kg")));
    let mut heavier = request(4);
    heavier.plate = Plate::Weighed {
        mass: kg("2400"),
        thickness: mm("20"),
    };
    assert_eq!(stops(&heavier, &model()), NO_STOP, "share = minimum passes");
    heavier.plate = Plate::Weighed {
        mass: kg("2399.9999"),
        thickness: mm("20"),
    };
    assert_eq!(stops(&heavier, &model()), ["share_below_minimum"]);
}

#[test]
fn two_of_three_or_four_legs_may_carry_all() {
    for legs in [3, 4] {
        let mut request = request(legs);
        request.hoist_capacity = Some(kg("7000"));
        request.plate = Plate::Weighed {
            mass: kg("6000"),
            thickness: mm("20"),
        };
        assert_eq!(stops(&request, &model()), NO_STOP, "{legs} legs");
        request.plate = Plate::Weighed {
            mass: kg("6000.0002"),
            thickness: mm("20"),
        };
        let over = answer(&request, &model());
        assert_eq!(codes(&over), ["tension_over_wll"], "{legs} legs");
        assert!(over.reasons[0].source.cite.contains("US Navy rigging manual"));
    }
}

#[test]
fn off_mid_span_the_lighter_end_of_four_legs_is_shared_by_two_clamps() {
    // s = 2000, e = 200: ends carry 60 % and 40 % of 3000 kg; 1200 kg over two clamps is 600 kg, the minimum.
    let mut request = request(4);
    request.plate = Plate::Weighed {
        mass: kg("3000"),
        thickness: mm("20"),
    };
    request.clamp_spacing = Some(mm("2000"));
    request.centre_of_gravity_offset = Some(mm("200"));
    let level = answer(&request, &model());
    assert_eq!(
        (codes(&level), level.tension_per_clamp),
        (vec![], Some(kg("1800")))
    );
    request.centre_of_gravity_offset = Some(mm("200.0001"));
    assert_eq!(stops(&request, &model()), ["share_below_minimum"]);
}

#[test]
fn one_leg_off_the_centre_of_gravity_is_cautioned() {
    let mut request = two_legs("2000", "100");
    request.legs = 1;
    request.clamps.pop();
    let answer = answer(&request, &model());
    assert_eq!(codes(&answer), NO_STOP);
    assert!(has_caution(&answer, CautionCode::OffsetUnderOneLeg));
}
