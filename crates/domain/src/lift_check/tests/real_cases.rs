//! Two accidents as published by safety authorities: what the check would have answered.

use super::*;

#[test]
fn a_light_plate_turned_in_a_vertical_clamp_too_wide_for_it() {
    // 460 lb plate, 5/8 in thick, in a clamp of 3 short tons, 1 1/4 to 2 in, vertical lifts only, used to turn it.
    let case = Model {
        kind: ClampKind::Vertical,
        wll: Mass::parse("3", "[ston_av]").unwrap(),
        jaw_opening: Range {
            min: inches("1.25"),
            max: inches("2"),
        },
        ..model()
    };
    let mut request = request(1);
    request.lift = LiftKind::Turning90;
    request.plate = Plate::Weighed {
        mass: Mass::parse("460", "[lb_av]").unwrap(),
        thickness: inches("0.625"),
    };
    let answer = answer(&request, &case);
    assert_eq!(answer.decision, Decision::Stop);
    assert_eq!(
        codes(&answer),
        [
            "kind_of_lift",
            "share_below_minimum",
            "thickness_outside_jaw_opening"
        ]
    );
    // 460 ÷ 6000 = 7.67 %, published as 7.7 %.
    assert_eq!(percent(&answer).round_dp(1), decimal("7.7"));
}

#[test]
fn an_overload_of_4900_pounds_depends_on_which_ton_is_meant() {
    let on = |wll: Mass| {
        let mut request = request(1);
        request.plate = Plate::Weighed {
            mass: Mass::parse("4900", "[lb_av]").unwrap(),
            thickness: mm("20"),
        };
        answer(&request, &Model { wll, ..model() })
    };
    let short_tons = on(Mass::parse("2", "[ston_av]").unwrap());
    assert_eq!(codes(&short_tons), ["tension_over_wll"]);
    assert_eq!(percent(&short_tons), decimal("122.5"));
    let tonnes = on(Mass::parse("2", "t").unwrap());
    assert_eq!(codes(&tonnes), ["tension_over_wll"]);
    assert_eq!(percent(&tonnes).round_dp(1), decimal("111.1"));
    assert!(Mass::parse("2", "ton").is_err(), "units are never guessed");
}

fn percent(answer: &LiftCheckAnswer) -> Decimal {
    let utilisation = answer.utilisation.as_ref().unwrap();
    assert_eq!(utilisation.unit, "%");
    decimal(&utilisation.value)
}
