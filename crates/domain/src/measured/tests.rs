//! Limits, guard band and slips of the finger. The rows for 30 mm and 25 mm are computed from the definitions
//! (limit = nominal × (1 − percent ÷ 100)) with the acceptance rule of ISO 14253-1 and the guard band of ILAC-G8.

use super::*;
use proptest::prelude::*;

fn mm(text: &str) -> Length {
    Length::parse(text, "mm").unwrap()
}

fn reading(nominal: &str, percent: &str, direction: WearDirection, measured: &str, u: &str) -> Reading {
    Reading {
        nominal: mm(nominal),
        limit_percent: percent.parse().unwrap(),
        direction,
        measured: mm(measured),
        uncertainty: Some(mm(u)),
    }
}

fn verdict(
    nominal: &str,
    percent: &str,
    direction: WearDirection,
    measured: &str,
    u: &str,
) -> MeasuredVerdict {
    measure(&reading(nominal, percent, direction, measured, u)).verdict
}

use MeasuredVerdict::{Conforming, NotShownToConform, Worn};
use WearDirection::{Growth, Shrinkage};

#[test]
fn thirty_millimetres_at_ten_percent_with_the_guard_band_of_iso_14253_1() {
    for (measured, u, expected) in [
        ("27.00", "0", Worn),
        ("27.01", "0", Conforming),
        ("27.0001", "0", Conforming),
        ("26.99", "0", Worn),
        ("27.10", "0.10", Conforming),
        ("27.0999", "0.10", NotShownToConform),
        ("27.00", "0.10", NotShownToConform),
        ("26.90", "0.10", NotShownToConform),
        ("26.8999", "0.10", Worn),
    ] {
        assert_eq!(
            verdict("30", "10", Shrinkage, measured, u),
            expected,
            "{measured} with U {u}"
        );
    }
    let shown = measure(&reading("30", "10", Shrinkage, "27.01", "0"));
    assert_eq!(shown.limit, Decimal::from(27));
    // 2.99 / 30 = 9.9666…: rounded up, so that nobody reads less wear than there is.
    assert_eq!(shown.wear_percent.to_string(), "9.9667");
}

#[test]
fn twenty_five_millimetres_at_five_percent() {
    // DGUV 209-013: 5 % of the section of load-bearing parts.
    assert_eq!(verdict("25.0", "5", Shrinkage, "23.75", "0"), Worn);
    assert!(verdict("25.0", "5", Shrinkage, "23.75", "0.05").rejects());
    assert_eq!(verdict("25.0", "5", Shrinkage, "23.80", "0.05"), Conforming);
    assert_eq!(
        verdict("25.0", "5", Shrinkage, "23.80", "0.0501"),
        NotShownToConform
    );
}

#[test]
fn growth_is_the_mirror_image_of_shrinkage() {
    for (measured, u, expected) in [
        ("33.00", "0", Worn),
        ("32.99", "0", Conforming),
        ("32.90", "0.10", Conforming),
        ("32.9001", "0.10", NotShownToConform),
        ("33.10", "0.10", NotShownToConform),
        ("33.1001", "0.10", Worn),
    ] {
        assert_eq!(
            verdict("30", "10", Growth, measured, u),
            expected,
            "{measured} with U {u}"
        );
    }
}

#[test]
fn without_a_stated_uncertainty_the_caliper_default_of_a_tenth_of_a_millimetre_applies() {
    // From memory: a default that a user can change.
    let mut read = reading("30", "10", Shrinkage, "27.09", "0");
    assert_eq!(measure(&read).verdict, Conforming);
    read.uncertainty = None;
    assert_eq!(measure(&read).verdict, NotShownToConform);
    assert_eq!(measure(&read).uncertainty.to_string(), "0.1");
    assert_eq!(CALIPER_DEFAULT.certainty, Certainty::Memory);
}

#[test]
fn inches_and_millimetres_give_the_same_verdict() {
    // 1 in = 25.4 mm; at 10 % the limit is 22.86 mm = 0.9 in.
    let inches = |measured: &str| Reading {
        nominal: mm("25.4"),
        measured: Length::parse(measured, "[in_i]").unwrap(),
        ..reading("25.4", "10", Shrinkage, "25.4", "0")
    };
    assert_eq!(measure(&inches("0.9")).verdict, Worn);
    assert_eq!(measure(&inches("0.9001")).verdict, Conforming);
}

#[test]
fn a_part_better_than_new_by_more_than_two_percent_and_the_uncertainty_is_not_judged() {
    let slip = MeasuredVerdict::NotJudged(NotJudged::BetterThanNew);
    // 2 % of 30 mm is 0.6 mm.
    assert_eq!(verdict("30", "10", Shrinkage, "30.70", "0.10"), Conforming);
    assert_eq!(verdict("30", "10", Shrinkage, "30.7001", "0.10"), slip);
    assert_eq!(verdict("30", "10", Growth, "29.30", "0.10"), Conforming);
    assert_eq!(verdict("30", "10", Growth, "29.2999", "0.10"), slip);
    assert!(!slip.rejects());
}

#[test]
fn a_reading_better_than_the_last_by_more_than_twice_the_uncertainty_is_not_judged() {
    let slip = MeasuredVerdict::NotJudged(NotJudged::BetterThanLast);
    let after = |measured: &str, last: &str| {
        measure_after(&reading("30", "10", Shrinkage, measured, "0.10"), Some(mm(last))).verdict
    };
    assert_eq!(after("28.20", "28.00"), Conforming);
    assert_eq!(after("28.2001", "28.00"), slip);
    assert_eq!(after("27.50", "28.00"), Conforming);
    // A reading that rejects counts, however odd it looks beside the last one.
    assert_eq!(after("26.00", "25.00"), Worn);
    let hole = reading("30", "10", Growth, "31.00", "0.10");
    assert_eq!(measure_after(&hole, Some(mm("31.2001"))).verdict, slip);
    assert_eq!(measure_after(&hole, Some(mm("31.20"))).verdict, Conforming);
    assert_eq!(measure_after(&hole, None).verdict, Conforming);
}

#[test]
fn a_senseless_nominal_or_limit_never_conforms() {
    for percent in ["0", "-5", "100", "250", "10.00001"] {
        let expected = MeasuredVerdict::NotJudged(NotJudged::LimitOutOfRange);
        assert_eq!(
            verdict("30", percent, Shrinkage, "30", "0"),
            expected,
            "{percent} %"
        );
    }
    let expected = MeasuredVerdict::NotJudged(NotJudged::NominalNotPositive);
    assert_eq!(verdict("0", "10", Shrinkage, "30", "0"), expected);
}

#[test]
fn the_largest_lengths_are_compared_without_overflow() {
    let far = Length::parse("9999999.9999", "[ft_i]").unwrap();
    for direction in [Shrinkage, Growth] {
        let read = Reading {
            nominal: far,
            limit_percent: "0.0001".parse().unwrap(),
            direction,
            measured: far,
            uncertainty: Some(mm("0")),
        };
        assert_eq!(measure(&read).verdict, Conforming, "{direction:?}");
    }
}

/// Lengths with four digits after the point.
fn length(range: std::ops::Range<i64>) -> impl Strategy<Value = Length> {
    range.prop_map(|ten_thousandths| {
        let value = Decimal::new(ten_thousandths, 4);
        Length::new(value, crate::quantity::LengthUnit::Millimetre).unwrap()
    })
}

fn readings() -> impl Strategy<Value = Reading> {
    let direction = prop_oneof![Just(Shrinkage), Just(Growth)];
    (
        100_000..600_000i64,
        1..2_000i64,
        direction,
        -120_000..120_000i64,
        length(0..4_000),
    )
        .prop_map(|(nominal, percent, direction, change, u)| {
            let exact =
                |value| Length::new(Decimal::new(value, 4), crate::quantity::LengthUnit::Millimetre).unwrap();
            Reading {
                nominal: exact(nominal),
                limit_percent: Decimal::new(percent, 2),
                direction,
                measured: exact((nominal + change).max(0)),
                uncertainty: Some(u),
            }
        })
}

proptest! {
    #[test]
    fn a_reading_farther_from_the_limit_still_conforms(read in readings(), farther in length(0..50_000)) {
        let step = farther.millimetres();
        let moved = match read.direction {
            Shrinkage => read.measured.millimetres() + step,
            Growth => (read.measured.millimetres() - step).max(Decimal::ZERO),
        };
        let moved = Length::new(moved, crate::quantity::LengthUnit::Millimetre).unwrap();
        let better = measure(&Reading { measured: moved, ..read }).verdict;
        if measure(&read).verdict == Conforming {
            // Only a reading too good to be true drops out, and it is not rejected either.
            prop_assert!(matches!(better, Conforming | MeasuredVerdict::NotJudged(NotJudged::BetterThanNew)));
        }
        if better.rejects() {
            prop_assert!(measure(&read).verdict.rejects());
        }
    }

    #[test]
    fn a_larger_uncertainty_never_turns_a_rejection_into_acceptance(read in readings(), more in length(0..9_000)) {
        let u = Length::new(
            read.uncertainty.unwrap().millimetres() + more.millimetres(),
            crate::quantity::LengthUnit::Millimetre,
        ).unwrap();
        if measure(&read).verdict.rejects() {
            let wider = measure(&Reading { uncertainty: Some(u), ..read }).verdict;
            prop_assert!(wider.rejects());
        }
    }

    #[test]
    fn reaching_the_limit_rejects_whatever_the_uncertainty(read in readings()) {
        let limit = Length::new(measure(&read).limit, crate::quantity::LengthUnit::Millimetre).unwrap();
        let reached = measure(&Reading { measured: limit, ..read }).verdict;
        prop_assert!(reached.rejects());
    }
}
