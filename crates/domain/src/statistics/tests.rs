//! Checks against published values: NIST Statistical Reference Datasets (https://www.itl.nist.gov/div898/strd/, data
//! sets Norris, NoInt1, NoInt2, certified values), and Student t quantiles computed to 40 digits with mpmath.

use super::*;
use proptest::prelude::*;

/// Relative agreement to `digits` significant digits.
#[track_caller]
fn agrees(what: &str, got: f64, wanted: f64, digits: i32) {
    let error = ((got - wanted) / wanted).abs();
    assert!(
        error < 10f64.powi(-digits),
        "{what}: {got} instead of {wanted} (relative error {error:e})"
    );
}

#[rustfmt::skip]
const NORRIS: [(f64, f64); 36] = [
    (0.2, 0.1), (337.4, 338.8), (118.2, 118.1), (884.6, 888.0), (10.1, 9.2), (226.5, 228.1), (666.3, 668.5),
    (996.3, 998.5), (448.6, 449.1), (777.0, 778.9), (558.2, 559.2), (0.4, 0.3), (0.6, 0.1), (775.5, 778.1),
    (666.9, 668.8), (338.0, 339.3), (447.5, 448.9), (11.6, 10.8), (556.0, 557.7), (228.1, 228.3), (995.8, 998.0),
    (887.6, 888.8), (120.2, 119.6), (0.3, 0.3), (0.3, 0.6), (556.8, 557.6), (339.1, 339.3), (887.2, 888.0),
    (999.0, 998.5), (779.0, 778.9), (11.1, 10.2), (118.3, 117.6), (229.2, 228.9), (669.1, 668.4), (448.9, 449.2),
    (0.5, 0.2),
];

#[test]
fn the_line_has_the_values_that_nist_certifies_for_norris() {
    let line = fit_line(&NORRIS).unwrap();
    agrees("intercept", line.intercept, -0.262_323_073_774_029, 11);
    agrees(
        "its standard error",
        line.intercept_standard_error,
        0.232_818_234_301_152,
        12,
    );
    agrees("slope", line.slope, 1.002_116_818_020_45, 13);
    agrees(
        "its standard error",
        line.slope_standard_error,
        0.429_796_848_199_937e-3,
        12,
    );
    agrees(
        "residual standard deviation",
        line.residual_sd,
        0.884_796_396_144_373,
        12,
    );
    agrees("R squared", line.r_squared.unwrap(), 0.999_993_745_883_712, 13);
    assert_eq!((line.n, line.degrees_of_freedom), (36, 34));
}

#[test]
fn the_prediction_at_500_for_norris_is_that_of_exact_rational_arithmetic() {
    // Derived from the certified fit in exact rational arithmetic with t(0.975; 34) to 40 digits.
    let line = fit_line(&NORRIS).unwrap();
    let t = student_t_quantile(0.975, 34).unwrap();
    agrees("height", line.at(500.0), 500.796_085_936_453, 13);
    agrees(
        "mean half width",
        line.mean_half_width(500.0, t),
        0.307_889_464_92,
        10,
    );
    agrees(
        "prediction half width",
        line.prediction_half_width(500.0, t),
        1.824_291_882_27,
        11,
    );
    agrees(
        "slope, lower",
        line.slope - t * line.slope_standard_error,
        1.001_243_365_735_6,
        12,
    );
    agrees(
        "slope, upper",
        line.slope + t * line.slope_standard_error,
        1.002_990_270_305_3,
        12,
    );
}

#[test]
fn a_line_through_the_origin_has_the_values_that_nist_certifies_for_noint1_and_noint2() {
    let noint1: Vec<_> = (0..=10)
        .map(|step| (60.0 + f64::from(step), 130.0 + f64::from(step)))
        .collect();
    let line = fit_through_origin(&noint1).unwrap();
    agrees("NoInt1 slope", line.slope, 2.074_380_165_289_26, 13);
    agrees(
        "NoInt1 standard error",
        line.slope_standard_error,
        0.016_528_925_619_834_7,
        13,
    );
    agrees(
        "NoInt1 residual standard deviation",
        line.residual_sd,
        3.567_530_340_063_38,
        13,
    );
    agrees(
        "NoInt1 R squared",
        line.r_squared.unwrap(),
        0.999_365_492_298_663,
        13,
    );
    assert_eq!((line.intercept, line.intercept_standard_error), (0.0, 0.0));

    let line = fit_through_origin(&[(4.0, 3.0), (5.0, 4.0), (6.0, 4.0)]).unwrap();
    agrees("NoInt2 slope", line.slope, 0.727_272_727_272_727, 13);
    agrees(
        "NoInt2 standard error",
        line.slope_standard_error,
        0.042_082_731_807_843_2,
        13,
    );
    agrees(
        "NoInt2 residual standard deviation",
        line.residual_sd,
        0.369_274_472_937_998,
        13,
    );
    agrees(
        "NoInt2 R squared",
        line.r_squared.unwrap(),
        0.993_348_115_299_335,
        13,
    );
}

#[test]
fn quantiles_of_students_t_are_those_of_the_table() {
    // mpmath, 40 digits, rounded to 12 significant ones.
    const PROBABILITIES: [f64; 5] = [0.90, 0.95, 0.975, 0.99, 0.995];
    #[rustfmt::skip]
    const TABLE: [(u32, [f64; 5]); 17] = [
        (1, [3.07768353718, 6.31375151468, 12.7062047362, 31.8205159538, 63.6567411629]),
        (2, [1.88561808316, 2.91998558035, 4.30265272975, 6.96455673428, 9.92484320092]),
        (3, [1.6377443537, 2.3533634348, 3.18244630528, 4.54070285857, 5.84090930973]),
        (4, [1.53320627406, 2.13184678633, 2.7764451052, 3.74694738798, 4.60409487135]),
        (5, [1.47588404882, 2.01504837333, 2.57058183564, 3.36492999891, 4.03214298356]),
        (6, [1.43975574727, 1.94318028052, 2.44691185114, 3.14266840329, 3.70742802132]),
        (7, [1.41492392765, 1.89457860509, 2.36462425159, 2.99795156687, 3.49948329735]),
        (8, [1.39681530974, 1.85954803753, 2.3060041352, 2.89645944771, 3.35538733133]),
        (9, [1.3830287384, 1.83311293266, 2.2621571628, 2.82143792503, 3.24983554159]),
        (10, [1.37218364111, 1.81246112281, 2.22813885199, 2.76376945811, 3.16927267262]),
        (12, [1.35621733402, 1.78228755565, 2.17881282967, 2.68099799312, 3.05453958939]),
        (15, [1.34060560785, 1.75305035569, 2.13144954556, 2.60248029501, 2.94671288348]),
        (20, [1.32534070699, 1.72471824292, 2.08596344727, 2.52797700274, 2.84533970979]),
        (30, [1.31041502539, 1.69726088659, 2.0422724563, 2.4572615424, 2.74999565357]),
        (34, [1.30695158713, 1.69092425519, 2.03224450932, 2.44114962791, 2.72839436707]),
        (60, [1.29582109352, 1.6706488649, 2.00029782201, 2.39011947262, 2.66028302886]),
        (120, [1.28864623366, 1.65765089936, 1.97993040508, 2.35782461265, 2.61742114511]),
    ];
    for (degrees_of_freedom, row) in TABLE {
        for (probability, wanted) in PROBABILITIES.into_iter().zip(row) {
            let what = format!("t({probability}; {degrees_of_freedom})");
            agrees(
                &what,
                student_t_quantile(probability, degrees_of_freedom).unwrap(),
                wanted,
                10,
            );
            agrees(
                &what,
                student_t_quantile(1.0 - probability, degrees_of_freedom).unwrap(),
                -wanted,
                10,
            );
        }
    }
}

#[test]
fn there_is_no_quantile_without_freedom_or_outside_the_open_interval() {
    for (probability, degrees_of_freedom) in
        [(0.95, 0), (0.0, 3), (1.0, 3), (-0.1, 3), (1.1, 3), (f64::NAN, 3)]
    {
        assert_eq!(
            student_t_quantile(probability, degrees_of_freedom),
            None,
            "{probability} {degrees_of_freedom}"
        );
    }
}

const WEAR_EXAMPLE: [(f64, f64); 5] = [(0.0, 0.10), (6.0, 0.24), (12.0, 0.41), (18.0, 0.52), (24.0, 0.70)];

#[test]
fn the_worked_wear_example_reaches_its_limit_where_exact_arithmetic_puts_it() {
    // Worked in exact rational arithmetic: b0 = 49/500, b1 = 37/1500; t(0.95; 3) to 40 digits.
    let line = fit_line(&WEAR_EXAMPLE).unwrap();
    agrees("intercept", line.intercept, 49.0 / 500.0, 13);
    agrees("slope", line.slope, 37.0 / 1500.0, 13);
    agrees(
        "residual standard deviation",
        line.residual_sd,
        0.017_126_976_77,
        9,
    );
    agrees("line at the limit", line.reaches(1.0).unwrap(), 36.567_567_57, 9);
    let t = student_t_quantile(0.95, 3).unwrap();
    agrees(
        "bound at the limit",
        line.upper_bound_reaches(1.0, t).unwrap(),
        33.963_371_64,
        9,
    );
}

#[test]
fn a_large_offset_of_x_costs_no_digits() {
    let near = fit_line(&WEAR_EXAMPLE).unwrap();
    let far = fit_line(&WEAR_EXAMPLE.map(|(x, y)| (x + 1e9, y))).unwrap();
    assert_eq!(far.slope, near.slope);
    assert_eq!(far.residual_sd, near.residual_sd);
    assert_eq!(far.at(1e9 + 30.0), near.at(30.0));
}

#[test]
fn what_cannot_be_fitted_is_told_apart() {
    assert_eq!(fit_line(&[(0.0, 1.0), (1.0, 2.0)]), Err(FitError::TooFewPoints));
    assert_eq!(fit_line(&[]), Err(FitError::TooFewPoints));
    assert_eq!(fit_through_origin(&[(1.0, 2.0)]), Err(FitError::TooFewPoints));
    assert_eq!(
        fit_line(&[(3.0, 1.0), (3.0, 2.0), (3.0, 4.0)]),
        Err(FitError::NoSpread)
    );
    assert_eq!(
        fit_line(&[(0.0, 1.0), (1.0, f64::NAN), (2.0, 1.0)]),
        Err(FitError::NotFinite)
    );
    assert_eq!(
        fit_line(&[(0.0, 1.0), (1.0, 2.0), (1e200, 1.0)]),
        Err(FitError::NotFinite)
    );
}

#[test]
fn a_level_line_explains_nothing_and_reaches_nothing() {
    let line = fit_line(&[(0.0, 0.1), (1.0, 0.1), (2.0, 0.1)]).unwrap();
    assert_eq!((line.slope, line.r_squared), (0.0, None));
    assert_eq!(
        (line.reaches(1.0), line.upper_bound_reaches(1.0, 2.0)),
        (None, None)
    );
}

#[test]
fn a_bound_that_is_nowhere_below_the_level_does_not_reach_it() {
    // The scatter is so wide that even the lowest place of the bound lies above the level.
    let line = fit_line(&[(0.0, 0.0), (1.0, 9.0), (2.0, 0.5)]).unwrap();
    assert_eq!(line.upper_bound_reaches(10.0, 6.3137), None);
    assert!(line.prediction_half_width(1.0, 6.3137) + line.at(1.0) > 10.0);
}

fn points() -> impl Strategy<Value = Vec<(f64, f64)>> {
    prop::collection::vec((0u32..2_000, 0u32..400), 3..12).prop_map(|points| {
        points
            .into_iter()
            .map(|(x, y)| (f64::from(x), f64::from(y) / 20.0))
            .collect()
    })
}

proptest! {
    #[test]
    fn where_the_bound_reaches_a_level_it_has_that_height_and_rises(points in points(), level in 1f64..40.0, t in 0f64..7.0) {
        let Ok(line) = fit_line(&points) else { return Ok(()) };
        let bound = |x: f64| line.at(x) + line.prediction_half_width(x, t);
        if let Some(x) = line.upper_bound_reaches(level, t) {
            let scale = level.abs() + line.slope.abs() * x.abs() + line.prediction_half_width(x, t);
            prop_assert!((bound(x) - level).abs() <= 1e-6 * scale, "bound {} at {x}, level {level}", bound(x));
            prop_assert!(bound(x + 50.0) >= level - 1e-6 * scale);
            let reached = line.reaches(level).unwrap();
            prop_assert!(x <= reached + 1e-6 * (1.0 + reached.abs()), "bound {x} after line {reached}");
        }
    }

    #[test]
    fn a_bound_without_a_place_is_above_the_level_everywhere(points in points(), level in 1f64..40.0, t in 0f64..7.0) {
        let Ok(line) = fit_line(&points) else { return Ok(()) };
        if line.slope > 1e-6 && line.upper_bound_reaches(level, t).is_none() {
            for x in -20..60 {
                let x = f64::from(x) * 100.0;
                prop_assert!(line.at(x) + line.prediction_half_width(x, t) > level, "at {x}");
            }
        }
    }

    #[test]
    fn the_order_of_the_points_does_not_matter(points in points()) {
        let mut turned = points.clone();
        turned.reverse();
        if let (Ok(one), Ok(other)) = (fit_line(&points), fit_line(&turned)) {
            prop_assert!((one.slope - other.slope).abs() <= 1e-9 * (1.0 + one.slope.abs()));
            prop_assert!((one.residual_sd - other.residual_sd).abs() <= 1e-9 * (1.0 + one.residual_sd));
        }
    }
}
