//! From readings to a trend: choosing the axis, fitting, and walking the bound to the limit.

use super::*;
use crate::statistics::{Line, fit_line, student_t_quantile};
use rust_decimal::prelude::ToPrimitive;

/// Points of the curve between its ends.
const CURVE_STEPS: u32 = 48;
/// How far the curve runs beyond the last reading, in spans of the fitted readings, before it is cut off.
const LONGEST_CURVE_SPANS: f64 = 4.0;
/// Significant digits of computed numbers.
const DIGITS: i32 = 6;

/// The trend of one wear point.
pub fn wear_trend(history: &WearHistory<'_>) -> WearTrend {
    let mut readings: Vec<&WearReading> = history.readings.iter().collect();
    readings.sort_by_key(|reading| (reading.taken_at, reading.entry_id));
    let renewed = history.renewed_at.iter().max();
    let first_current = readings
        .iter()
        .position(|reading| renewed.is_none_or(|renewal| reading.taken_at >= *renewal));
    let (_, current) = readings.split_at(first_current.unwrap_or(readings.len()));
    let series = Series::new(current, &readings, history.zone);
    let forecast = series.forecast(history.limit);
    let last_at_limit = current
        .last()
        .is_some_and(|reading| reading.wear >= history.limit);
    let mut trend = WearTrend {
        criterion: history.criterion.to_owned(),
        place: history.place.map(str::to_owned),
        unit: history.unit,
        unit_text: history.unit.text(),
        limit: decimal_text(history.limit),
        against: series.axis,
        day_zero: series.day_zero.filter(|_| series.axis == WearAxis::Days),
        points: points(history, &readings, &series),
        renewals: renewals(history, &series),
        fit: forecast.line.as_ref().map(fit_text),
        curve: forecast.curve,
        last_reading_at_limit: last_at_limit,
        limit_reached: last_at_limit || forecast.reached,
        expected_limit_on: forecast.on,
        expected_limit_x: forecast
            .x
            .filter(|_| forecast.on.is_some())
            .map(|x| plain(x, DIGITS)),
        no_forecast: forecast.none,
        summary: String::new(),
    };
    trend.summary = summary(&trend, current.len());
    trend
}

fn points(history: &WearHistory<'_>, readings: &[&WearReading], series: &Series<'_>) -> Vec<TrendPoint> {
    let part = |at: Timestamp| {
        history
            .renewed_at
            .iter()
            .filter(|renewal| **renewal <= at)
            .map(|_| 1u32)
            .sum()
    };
    let newest: u32 = part(Timestamp::MAX);
    let point = |reading: &&WearReading| {
        let taken_on = history.zone.date_at(reading.taken_at);
        let part = part(reading.taken_at);
        TrendPoint {
            entry_id: reading.entry_id,
            taken_at: reading.taken_at,
            taken_on,
            x: series.place(reading).map(decimal_text),
            measured: reading.measured,
            wear: decimal_text(reading.wear),
            lifts: reading.lifts,
            part,
            current: part == newest,
        }
    };
    readings.iter().map(point).collect()
}

fn renewals(history: &WearHistory<'_>, series: &Series<'_>) -> Vec<Renewal> {
    let mut instants = history.renewed_at.to_vec();
    instants.sort();
    let renewal = |instant: &Timestamp| {
        let renewed_on = history.zone.date_at(*instant);
        let x = series.day(renewed_on).filter(|_| series.axis == WearAxis::Days);
        Renewal {
            renewed_on,
            x: x.map(|day| day.to_string()),
        }
    };
    instants.iter().map(renewal).collect()
}

/// The readings of the part now fitted, on their axis.
struct Series<'a> {
    current: &'a [&'a WearReading],
    axis: WearAxis,
    day_zero: Option<Date>,
    zone: &'a Zone,
}

/// The line through the readings of the part now fitted.
struct Fitted {
    line: Line,
    t: f64,
    rises: bool,
    first_x: f64,
    last_x: f64,
    last_day: i64,
    x_per_day: f64,
}

/// What the fit says of the limit.
#[derive(Default)]
struct Forecast {
    line: Option<Line>,
    curve: Vec<CurvePoint>,
    reached: bool,
    on: Option<Date>,
    x: Option<f64>,
    none: Option<NoForecast>,
}

impl<'a> Series<'a> {
    fn new(current: &'a [&'a WearReading], all: &[&WearReading], zone: &'a Zone) -> Self {
        let lifts: Option<Vec<u64>> = current.iter().map(|reading| reading.lifts).collect();
        let counts = lifts.is_some_and(|lifts| lifts.is_sorted() && lifts.first() < lifts.last());
        let axis = if counts { WearAxis::Lifts } else { WearAxis::Days };
        let first = current.first().or(all.first());
        Self {
            current,
            axis,
            day_zero: first.map(|reading| zone.date_at(reading.taken_at)),
            zone,
        }
    }

    /// Days from the first reading of the current part.
    fn day(&self, date: Date) -> Option<i64> {
        let span = self.day_zero?.until(date).ok()?;
        Some(i64::from(span.get_days()))
    }

    fn day_of(&self, reading: &WearReading) -> Option<i64> {
        self.day(self.zone.date_at(reading.taken_at))
    }

    fn place(&self, reading: &WearReading) -> Option<Decimal> {
        match self.axis {
            WearAxis::Lifts => reading.lifts.map(Decimal::from),
            WearAxis::Days => self.day_of(reading).map(Decimal::from),
        }
    }

    fn forecast(&self, limit: Decimal) -> Forecast {
        match self.fitted() {
            Ok(fitted) => self.forecast_of(fitted, limit),
            Err(none) => Forecast {
                none: Some(none),
                ..Forecast::default()
            },
        }
    }

    /// The line and its ends, or why there can be none.
    fn fitted(&self) -> Result<Fitted, NoForecast> {
        let count = self.current.len();
        if count < MIN_READINGS {
            let detail = format!(
                "{} of the part now fitted; a trend needs {MIN_READINGS}",
                readings_text(count)
            );
            return Err(NoForecast {
                code: NoForecastCode::TooFewReadings,
                detail,
            });
        }
        let points: Vec<(Decimal, Decimal)> = self
            .current
            .iter()
            .filter_map(|reading| Some((self.place(reading)?, reading.wear)))
            .collect();
        self.fit(&points).ok_or_else(|| NoForecast {
            code: NoForecastCode::OneDay,
            detail: "all readings of the part now fitted are of one day".to_owned(),
        })
    }

    fn fit(&self, points: &[(Decimal, Decimal)]) -> Option<Fitted> {
        let (first_day, last_day) = (
            self.day_of(self.current.first()?)?,
            self.day_of(self.current.last()?)?,
        );
        let days = Some(last_day - first_day).filter(|days| *days > 0)?.to_f64()?;
        let floats: Option<Vec<(f64, f64)>> = points
            .iter()
            .map(|(x, y)| Some((x.to_f64()?, y.to_f64()?)))
            .collect();
        let floats = floats?;
        let line = fit_line(&floats).ok()?;
        let (first_x, last_x) = (floats.first()?.0, floats.last()?.0);
        Some(Fitted {
            t: student_t_quantile(BOUND_PROBABILITY, line.degrees_of_freedom)?,
            rises: rises(points).unwrap_or(line.slope > 0.0),
            line,
            first_x,
            last_x,
            last_day,
            x_per_day: (last_x - first_x) / days,
        })
    }

    fn forecast_of(&self, fitted: Fitted, limit: Decimal) -> Forecast {
        let Fitted {
            line,
            t,
            rises,
            first_x,
            last_x,
            last_day,
            x_per_day,
        } = fitted;
        let span = last_x - first_x;
        let a_little_on = last_x + span / 4.0;
        let level = limit.to_f64().unwrap_or(f64::INFINITY);
        let last_at_limit = self.current.last().is_some_and(|reading| reading.wear >= limit);
        if !rises {
            let none = NoForecast {
                code: NoForecastCode::NotRising,
                detail: "the readings do not rise".to_owned(),
            };
            let curve = curve(&line, t, first_x, a_little_on);
            return Forecast {
                line: Some(line),
                curve,
                none: Some(none),
                ..Forecast::default()
            };
        }
        let reached = last_at_limit || line.at(last_x) + line.prediction_half_width(last_x, t) >= level;
        let ahead = line
            .upper_bound_reaches(level, t)
            .or(line.reaches(level))
            .unwrap_or(f64::INFINITY);
        let x = if reached { last_x } else { ahead.max(last_x) };
        let on = self.date_after(last_day, (x - last_x) / x_per_day);
        let end = (x + span / 8.0)
            .max(a_little_on)
            .min(last_x + LONGEST_CURVE_SPANS * span);
        let beyond = || NoForecast {
            code: NoForecastCode::BeyondHorizon,
            detail: "at this rate it is more than 50 years ahead".to_owned(),
        };
        Forecast {
            curve: curve(&line, t, first_x, end),
            line: Some(line),
            reached,
            x: Some(x),
            none: on.is_none().then(beyond),
            on,
        }
    }

    /// The civil day that lies `ahead` days after the day of the last reading; none beyond the horizon. The last
    /// digits of `ahead` are noise: a limit reached at day 29.9999999 is reached on day 30.
    fn date_after(&self, last_day: i64, ahead: f64) -> Option<Date> {
        let whole = (ahead + 1e-6)
            .floor()
            .to_i64()
            .filter(|days| *days <= HORIZON_DAYS)?;
        let days = jiff::Span::new().try_days(last_day.checked_add(whole)?).ok()?;
        self.day_zero?.checked_add(days).ok()
    }
}

/// Whether the slope is positive, decided in exact decimals (the sign of Σ(n·x − Σx)·y): in floating point, level
/// readings may seem to rise by their rounding. None where the sums overflow.
fn rises(points: &[(Decimal, Decimal)]) -> Option<bool> {
    let n = Decimal::from(points.len());
    let total = points
        .iter()
        .try_fold(Decimal::ZERO, |sum, (x, _)| sum.checked_add(*x))?;
    let covariance = points.iter().try_fold(Decimal::ZERO, |sum, (x, y)| {
        let centred = n.checked_mul(*x)?.checked_sub(total)?;
        sum.checked_add(centred.checked_mul(*y)?)
    })?;
    Some(covariance > Decimal::ZERO)
}

fn curve(line: &Line, t: f64, from: f64, to: f64) -> Vec<CurvePoint> {
    let step = (to - from) / f64::from(CURVE_STEPS);
    let point = |index: u32| {
        let x = from + step * f64::from(index);
        let (height, half) = (line.at(x), line.prediction_half_width(x, t));
        CurvePoint {
            x: plain(x, DIGITS + 2),
            line: plain(height, DIGITS),
            lower: plain(height - half, DIGITS),
            upper: plain(height + half, DIGITS),
        }
    };
    (0..=CURVE_STEPS).map(point).collect()
}

fn fit_text(line: &Line) -> TrendFit {
    TrendFit {
        slope: plain(line.slope, DIGITS),
        slope_standard_error: plain(line.slope_standard_error, DIGITS),
        intercept: plain(line.intercept, DIGITS),
        residual_sd: plain(line.residual_sd, DIGITS),
        r_squared: line.r_squared.map(|share| plain(share, DIGITS)),
        n: line.n,
    }
}

fn summary(trend: &WearTrend, count: usize) -> String {
    let sign = trend.unit.sign();
    let limit = format!("limit of {} {sign}", trend.limit);
    let readings = readings_text(count);
    let last = trend.points.last().filter(|_| trend.last_reading_at_limit);
    let reached = last.map_or_else(String::new, |last| {
        format!(
            "The last reading, {} {sign} on {}, has reached the {limit}.",
            last.wear,
            shown(last.taken_on)
        )
    });
    match (&trend.expected_limit_on, &trend.no_forecast) {
        (Some(_), _) if trend.last_reading_at_limit => reached,
        (Some(day), _) if trend.limit_reached => {
            format!(
                "The 95 % bound has reached the {limit} on {}, the day of the last of {readings}.",
                shown(*day)
            )
        }
        (Some(day), _) => {
            format!(
                "The {limit} is expected to be reached on {} (95 % bound, {readings}).",
                shown(*day)
            )
        }
        (None, reason) => {
            let why = reason.as_ref().map_or("", |reason| &reason.detail);
            let none = format!("No date can be expected for the {limit}: {why}.");
            if reached.is_empty() {
                none
            } else {
                format!("{reached} {none}")
            }
        }
    }
}

fn readings_text(count: usize) -> String {
    match count {
        0 => "no reading".to_owned(),
        1 => "1 reading".to_owned(),
        more => format!("{more} readings"),
    }
}

/// A day as people read it, with the month in letters.
fn shown(day: Date) -> String {
    day.strftime("%-d %b %Y").to_string()
}

/// A decimal with at most four digits after the point and no idle zeros.
fn decimal_text(value: Decimal) -> String {
    value.round_dp(4).normalize().to_string()
}

/// A number as plain decimal text (no exponent) with so many significant digits and no idle zeros.
fn plain(value: f64, significant: i32) -> String {
    let magnitude = value.abs().log10().floor().to_i32().unwrap_or(0);
    let decimals = usize::try_from((significant - 1 - magnitude).clamp(0, 15)).unwrap_or(0);
    let text = format!("{value:.decimals$}");
    let text = if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.')
    } else {
        &text
    };
    let negative_zero = text.bytes().all(|byte| matches!(byte, b'-' | b'0' | b'.'));
    if negative_zero {
        "0".to_owned()
    } else {
        text.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::plain;

    #[test]
    fn numbers_are_plain_decimals_without_exponent_or_idle_zeros() {
        for (value, text) in [
            (0.0, "0"),
            (-0.0, "0"),
            (-1e-30, "0"),
            (0.024_666_666_7, "0.0246667"),
            (0.000_001_234_567_8, "0.00000123457"),
            (12.5, "12.5"),
            (100.0, "100"),
            (-3.25, "-3.25"),
            (33_963.371_64, "33963.4"),
            (1_234_567.8, "1234568"),
        ] {
            assert_eq!(plain(value, 6), text);
        }
    }
}
