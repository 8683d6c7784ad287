//! What a wear trend promises, and the worked example in exact arithmetic.

use super::*;
use jiff::ToSpan;
use jiff::civil::date;
use proptest::prelude::*;

fn reading(day: i64, wear: &str, lifts: Option<u64>) -> WearReading {
    let noon = Zone::utc().start_of(date(2025, 1, 1)) + 12.hours();
    WearReading {
        entry_id: None,
        taken_at: noon + (24 * day).hours(),
        measured: None,
        wear: wear.parse().unwrap(),
        lifts,
    }
}

fn trend_to(limit: &str, readings: &[WearReading], renewed_at: &[Timestamp]) -> WearTrend {
    wear_trend(&WearHistory {
        criterion: "shackle_eye_worn",
        place: None,
        unit: WearUnit::Millimetres,
        limit: limit.parse().unwrap(),
        readings,
        renewed_at,
        zone: &Zone::utc(),
    })
}

fn trend(readings: &[WearReading]) -> WearTrend {
    trend_to("1.00", readings, &[])
}

fn day(number: i64) -> Date {
    date(2025, 1, 1) + number.days()
}

/// Wear 0.10, 0.24, 0.41, 0.52, 0.70 mm at 0, 6, 12, 18, 24 with limit 1.00 mm. In exact rational arithmetic with
/// t(0.95; 3) to 40 digits, the line reaches the limit at 36.56756757 and the bound at 33.96337164.
const EXAMPLE: [(i64, &str); 5] = [(0, "0.10"), (6, "0.24"), (12, "0.41"), (18, "0.52"), (24, "0.70")];

#[test]
fn the_expected_limit_date_is_the_day_on_which_the_95_percent_bound_reaches_the_limit() {
    let trend = trend(&EXAMPLE.map(|(day, wear)| reading(day, wear, None)));
    assert_eq!(trend.against, WearAxis::Days);
    assert_eq!(trend.expected_limit_x.as_deref(), Some("33.9634"));
    assert_eq!(trend.expected_limit_on, Some(day(33)));
    assert!(!trend.limit_reached);
    let fit = trend.fit.unwrap();
    assert_eq!(
        (fit.intercept.as_str(), fit.slope.as_str(), fit.n),
        ("0.098", "0.0246667", 5)
    );
    assert_eq!(fit.residual_sd, "0.017127");
    assert_eq!(
        trend.summary,
        "The limit of 1 mm is expected to be reached on 3 Feb 2025 (95 % bound, 5 readings)."
    );
}

#[test]
fn wear_is_fitted_against_lifts_where_every_reading_has_them() {
    // 1,000 lifts in each step of the example and one step in ten days: the bound is reached after 33,963.37 lifts,
    // which at 100 lifts a day is day 339.
    let trend =
        trend(&EXAMPLE.map(|(step, wear)| reading(10 * step, wear, Some(1000 * step.unsigned_abs()))));
    assert_eq!((trend.against, trend.day_zero), (WearAxis::Lifts, None));
    assert_eq!(trend.expected_limit_x.as_deref(), Some("33963.4"));
    assert_eq!(trend.expected_limit_on, Some(day(339)));
    assert_eq!(trend.points[4].x.as_deref(), Some("24000"));
}

#[test]
fn a_missing_a_falling_and_a_level_lift_count_leave_the_days() {
    for lifts in [
        [Some(1), None, Some(3)],
        [Some(1), Some(5), Some(3)],
        [Some(4), Some(4), Some(4)],
    ] {
        let readings: Vec<_> = (0..3)
            .zip(lifts)
            .map(|(step, lifts)| reading(30 * step, &format!("0.{step}"), lifts))
            .collect();
        let trend = trend(&readings);
        assert_eq!(
            (trend.against, trend.day_zero),
            (WearAxis::Days, Some(day(0))),
            "{lifts:?}"
        );
        assert_eq!(trend.expected_limit_on, Some(day(300)), "{lifts:?}");
    }
}

#[test]
fn fewer_than_three_readings_give_no_date_and_say_so() {
    for count in 0..3 {
        let readings: Vec<_> = (0..count)
            .map(|step| reading(30 * step, &format!("0.{step}"), None))
            .collect();
        let trend = trend(&readings);
        assert_eq!(
            (trend.expected_limit_on, &trend.fit, trend.curve.len()),
            (None, &None, 0)
        );
        assert_eq!(trend.no_forecast.unwrap().code, NoForecastCode::TooFewReadings);
        assert_eq!(trend.points.len(), readings.len());
    }
    let one = trend(&[reading(0, "0.1", None)]);
    assert_eq!(
        one.summary,
        "No date can be expected for the limit of 1 mm: 1 reading of the part now fitted; a trend needs 3."
    );
}

#[test]
fn readings_that_do_not_rise_give_no_date_and_say_so() {
    // The second set is level in exact decimals, but not in floating point.
    for wears in [
        ["0.3", "0.2", "0.1"],
        ["0.1", "0.7", "0.1"],
        ["0.3", "0.3", "0.3"],
    ] {
        let readings: Vec<_> = (0..3)
            .zip(wears)
            .map(|(step, wear)| reading(7 * step, wear, None))
            .collect();
        let trend = trend(&readings);
        assert_eq!(
            trend.no_forecast.as_ref().unwrap().code,
            NoForecastCode::NotRising,
            "{wears:?}"
        );
        assert_eq!((trend.expected_limit_on, trend.expected_limit_x), (None, None));
        assert!(trend.fit.is_some(), "the line is still told");
    }
}

#[test]
fn readings_of_one_day_and_limits_beyond_fifty_years_give_no_date_and_say_so() {
    let one_day = trend(&[
        reading(0, "0.1", None),
        reading(0, "0.2", None),
        reading(0, "0.3", None),
    ]);
    assert_eq!(one_day.no_forecast.unwrap().code, NoForecastCode::OneDay);
    let slow: Vec<_> = (0..3)
        .map(|step| reading(step, &format!("0.000{step}"), None))
        .collect();
    // 0.0001 mm a day: 1.8 mm in 18,000 days, 2 mm in 20,000.
    assert_eq!(trend_to("1.8", &slow, &[]).expected_limit_on, Some(day(18_000)));
    let beyond = trend_to("2", &slow, &[]);
    assert_eq!(
        (beyond.expected_limit_on, &beyond.expected_limit_x),
        (None, &None)
    );
    assert_eq!(beyond.no_forecast.unwrap().code, NoForecastCode::BeyondHorizon);
}

#[test]
fn a_limit_that_is_reached_already_is_expected_on_the_day_of_the_last_reading() {
    let by_reading = trend_to("0.70", &EXAMPLE.map(|(day, wear)| reading(day, wear, None)), &[]);
    assert_eq!(
        (by_reading.limit_reached, by_reading.expected_limit_on),
        (true, Some(day(24)))
    );
    let by_bound = trend_to("0.71", &EXAMPLE.map(|(day, wear)| reading(day, wear, None)), &[]);
    assert_eq!(
        (by_bound.limit_reached, by_bound.expected_limit_on),
        (true, Some(day(24)))
    );
    let not_rising = trend_to("0.1", &[reading(0, "0.3", None), reading(5, "0.2", None)], &[]);
    assert_eq!(
        (not_rising.limit_reached, not_rising.expected_limit_on),
        (true, None)
    );
    let told = "The last reading, 0.7 mm on 25 Jan 2025, has reached the limit of 0.7 mm.";
    assert_eq!(by_reading.summary, told);
    let told =
        "The 95 % bound has reached the limit of 0.71 mm on 25 Jan 2025, the day of the last of 5 readings.";
    assert_eq!(by_bound.summary, told);
    let told = "The last reading, 0.2 mm on 6 Jan 2025, has reached the limit of 0.1 mm. No date ";
    assert!(not_rising.summary.starts_with(told), "{}", not_rising.summary);
}

#[test]
fn a_renewed_part_starts_its_trend_anew_and_its_old_readings_stay_in_sight() {
    let mut readings = vec![reading(-400, "0.20", None), reading(-200, "0.95", None)];
    readings.extend(EXAMPLE.map(|(day, wear)| reading(day, wear, None)));
    let renewals = [
        reading(-100, "0", None).taken_at,
        reading(-300, "0", None).taken_at,
    ];
    let trend = trend_to("1.00", &readings, &renewals);
    assert_eq!(trend.expected_limit_on, Some(day(33)));
    let parts: Vec<_> = trend
        .points
        .iter()
        .map(|point| (point.part, point.current))
        .collect();
    assert_eq!(parts[..3], [(0, false), (1, false), (2, true)]);
    assert_eq!(trend.points[0].x.as_deref(), Some("-400"));
    let renewed: Vec<_> = trend
        .renewals
        .iter()
        .map(|renewal| renewal.x.as_deref())
        .collect();
    assert_eq!(renewed, [Some("-300"), Some("-100")]);
}

#[test]
fn days_are_those_of_the_yard() {
    // 23:30 UTC is the next day in Berlin, so these three readings are of three days there.
    let zone = Zone::named("Europe/Berlin").unwrap();
    let readings: Vec<_> = [
        "2025-01-01T23:30:00Z",
        "2025-01-03T22:30:00Z",
        "2025-01-04T10:00:00Z",
    ]
    .into_iter()
    .zip(["0.1", "0.2", "0.3"])
    .map(|(at, wear)| WearReading {
        taken_at: at.parse().unwrap(),
        ..reading(0, wear, None)
    })
    .collect();
    let trend = wear_trend(&WearHistory {
        criterion: "pin_worn",
        place: Some("left"),
        unit: WearUnit::PercentOfNominal,
        limit: Decimal::TEN,
        readings: &readings,
        renewed_at: &[],
        zone: &zone,
    });
    let places: Vec<_> = trend
        .points
        .iter()
        .map(|point| point.x.as_deref().unwrap())
        .collect();
    assert_eq!(
        (trend.day_zero, places),
        (Some(date(2025, 1, 2)), vec!["0", "1", "2"])
    );
}

#[test]
fn on_the_wire_every_measured_number_is_decimal_text() {
    let trend = trend(&EXAMPLE.map(|(day, wear)| reading(day, wear, None)));
    fn floats(value: &serde_json::Value) -> usize {
        match value {
            serde_json::Value::Number(number) => usize::from(number.is_f64()),
            serde_json::Value::Array(items) => items.iter().map(floats).sum(),
            serde_json::Value::Object(fields) => fields.values().map(floats).sum(),
            serde_json::Value::Null | serde_json::Value::Bool(_) | serde_json::Value::String(_) => 0,
        }
    }
    let json = serde_json::to_value(&trend).unwrap();
    assert_eq!(floats(&json), 0);
    assert_eq!(json["unit"], "mm");
    assert_eq!(json["points"][1]["wear"], "0.24");
    assert_eq!(json["expected_limit_on"], "2025-02-03");
}

/// Readings on different days, in order, in hundredths of a millimetre.
fn series() -> impl Strategy<Value = Vec<(i64, u32)>> {
    prop::collection::btree_map(0i64..900, 0u32..120, 3..10).prop_map(|series| series.into_iter().collect())
}

fn readings(series: &[(i64, u32)]) -> Vec<WearReading> {
    series
        .iter()
        .map(|(day, wear)| WearReading {
            wear: Decimal::new(i64::from(*wear), 2),
            ..reading(*day, "0", None)
        })
        .collect()
}

/// The day on the line, which is what a raised last reading can only bring nearer (the bound may also narrow).
fn line_reaches(trend: &WearTrend, limit: f64) -> Option<f64> {
    let fit = trend.fit.as_ref()?;
    let (slope, intercept): (f64, f64) = (fit.slope.parse().ok()?, fit.intercept.parse().ok()?);
    (slope > 1e-4).then(|| (limit - intercept) / slope)
}

proptest! {
    #[test]
    fn a_date_never_lies_before_the_last_reading_and_comes_with_a_reason_or_not_at_all(series in series()) {
        let trend = trend(&readings(&series));
        prop_assert_eq!(trend.expected_limit_on.is_some(), trend.no_forecast.is_none());
        prop_assert_eq!(trend.expected_limit_on.is_some(), trend.expected_limit_x.is_some());
        let last = day(series.last().unwrap().0);
        prop_assert!(trend.expected_limit_on.is_none_or(|on| on >= last));
    }

    #[test]
    fn a_lower_limit_is_never_expected_later(series in series(), low in 1i64..200, more in 0i64..200) {
        let readings = readings(&series);
        let lower = trend_to(&Decimal::new(low, 2).to_string(), &readings, &[]);
        let higher = trend_to(&Decimal::new(low + more, 2).to_string(), &readings, &[]);
        if let Some(higher) = higher.expected_limit_on {
            prop_assert!(lower.expected_limit_on.is_some_and(|lower| lower <= higher));
        }
    }

    #[test]
    fn the_bound_is_never_expected_later_than_the_line(series in series()) {
        let trend = trend_to("2", &readings(&series), &[]);
        if let (Some(x), Some(line)) = (&trend.expected_limit_x, line_reaches(&trend, 2.0)) {
            prop_assert!(x.parse::<f64>().unwrap() <= line * 1.001 + 1.0, "{x} after {line}");
        }
    }

    #[test]
    fn a_steeper_last_reading_never_moves_the_line_later(series in series(), more in 1u32..100) {
        let mut steeper = series.clone();
        steeper.last_mut().unwrap().1 += more;
        let before = line_reaches(&trend_to("5", &readings(&series), &[]), 5.0);
        let after = line_reaches(&trend_to("5", &readings(&steeper), &[]), 5.0);
        if let Some(before) = before {
            prop_assert!(after.is_some_and(|after| after <= before * 1.001), "{before} to {after:?}");
        }
    }

    #[test]
    fn the_order_in_which_readings_arrive_does_not_matter(series in series(), turn in 0usize..10) {
        let mut turned = readings(&series);
        let straight = trend(&turned);
        turned.reverse();
        let turn = turn % turned.len();
        turned.rotate_left(turn);
        prop_assert_eq!(trend(&turned), straight);
    }

    #[test]
    fn readings_before_the_renewal_change_nothing_of_the_forecast(series in series(), old in series()) {
        let shifted: Vec<_> = old.iter().map(|(day, wear)| (day - 2_000, *wear)).collect();
        let alone = trend(&readings(&series));
        let mut all = readings(&shifted);
        all.extend(readings(&series));
        let renewed = trend_to("1.00", &all, &[reading(-1_000, "0", None).taken_at]);
        prop_assert_eq!(renewed.expected_limit_on, alone.expected_limit_on);
        prop_assert_eq!((renewed.fit, renewed.curve), (alone.fit, alone.curve));
        prop_assert_eq!(renewed.points.len(), series.len() + old.len());
    }

    #[test]
    fn a_series_moved_by_days_moves_its_date_by_as_many(series in series(), by in 0i64..4_000) {
        let moved: Vec<_> = series.iter().map(|(day, wear)| (day + by, *wear)).collect();
        let (here, there) = (trend(&readings(&series)), trend(&readings(&moved)));
        prop_assert_eq!(there.expected_limit_on, here.expected_limit_on.map(|day| day + by.days()));
    }

    #[test]
    fn wear_on_a_straight_line_is_expected_on_the_day_the_line_says(start in 0i64..50, rate in 1i64..20, count in 3i64..8) {
        // Every ten days `rate` hundredths more; the limit lies 20 steps after the start.
        let points: Vec<_> = (0..count)
            .map(|step| WearReading { wear: Decimal::new(start + rate * step, 2), ..reading(10 * step, "0", None) })
            .collect();
        let limit = Decimal::new(start + rate * 20, 2).to_string();
        prop_assert_eq!(trend_to(&limit, &points, &[]).expected_limit_on, Some(day(200)));
    }
}
