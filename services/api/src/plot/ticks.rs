//! Where the ticks of an axis stand and what they say: round numbers, first days of months.

use clampward_domain::wear::{WearAxis, WearTrend};
use jiff::ToSpan;
use jiff::civil::Date;
use plotters::coord::ranged1d::{KeyPointHint, NoDefaultFormatting, Ranged, ValueFormatter};
use plotters::coord::types::RangedCoordf64;
use rust_decimal::prelude::ToPrimitive;
use std::ops::Range;

/// Most ticks on the horizontal axis.
const MOST_ACROSS: u32 = 6;
/// Most ticks on the vertical axis.
const MOST_UP: u32 = 7;
/// Days below which single days are marked instead of months.
const SHORT_SPAN_DAYS: f64 = 100.0;

/// A tick: its place and its label.
pub(super) type Tick = (f64, String);

/// An axis with ticks of our choosing.
pub(super) struct Axis {
    range: RangedCoordf64,
    ticks: Vec<Tick>,
}

impl Axis {
    pub(super) fn new(from: f64, to: f64, ticks: Vec<Tick>) -> Self {
        Self {
            range: (from..to).into(),
            ticks,
        }
    }
}

impl Ranged for Axis {
    type FormatOption = NoDefaultFormatting;
    type ValueType = f64;
    fn map(&self, value: &f64, limit: (i32, i32)) -> i32 {
        self.range.map(value, limit)
    }
    fn key_points<Hint: KeyPointHint>(&self, _hint: Hint) -> Vec<f64> {
        self.ticks.iter().map(|(place, _)| *place).collect()
    }
    fn range(&self) -> Range<f64> {
        self.range.range()
    }
}

impl ValueFormatter<f64> for Axis {
    fn format(value: &f64) -> String {
        value.to_string()
    }
    fn format_ext(&self, value: &f64) -> String {
        let tick = self.ticks.iter().find(|(place, _)| place == value);
        tick.map_or_else(String::new, |(_, label)| label.clone())
    }
}

/// Ticks of the horizontal axis: dates, or lift counts.
pub(super) fn across(trend: &WearTrend, from: f64, to: f64) -> Vec<Tick> {
    match (trend.against, trend.day_zero) {
        (WearAxis::Days, Some(zero)) if to - from < SHORT_SPAN_DAYS => days(zero, from, to),
        (WearAxis::Days, Some(zero)) => months(zero, from, to),
        (WearAxis::Days, None) => Vec::new(),
        (WearAxis::Lifts, _) => grouped(numbers(from, to, MOST_ACROSS)),
    }
}

/// Ticks of the vertical axis.
pub(super) fn up(from: f64, to: f64) -> Vec<Tick> {
    numbers(from, to, MOST_UP)
}

/// A day as people read it, with the month in letters.
pub(super) fn shown(day: Date) -> String {
    day.strftime("%-d %b %Y").to_string()
}

/// Multiples of 1, 2 or 5 times a power of ten.
fn numbers(from: f64, to: f64, most: u32) -> Vec<Tick> {
    let raw = (to - from) / f64::from(most);
    let power = raw.log10().floor();
    let step = [1.0, 2.0, 5.0, 10.0].map(|digit| digit * 10f64.powf(power));
    let step = step
        .into_iter()
        .find(|step| *step >= raw * 0.999_999)
        .unwrap_or(raw);
    let decimals = (-step.log10().floor()).clamp(0.0, 9.0).to_usize().unwrap_or(0);
    let first = (from / step - 1e-9).ceil();
    (0..=most)
        .map(|index| (first + f64::from(index)) * step)
        .filter(|place| *place <= to + step * 1e-9)
        .map(|place| {
            (
                place,
                format!("{:.decimals$}", if place == 0.0 { 0.0 } else { place }),
            )
        })
        .collect()
}

/// Thousands set apart by a space that does not break.
fn grouped(ticks: Vec<Tick>) -> Vec<Tick> {
    let group = |label: String| {
        let digits: Vec<char> = label.chars().rev().collect();
        let groups: Vec<String> = digits
            .chunks(3)
            .map(|group| group.iter().rev().collect())
            .collect();
        groups.into_iter().rev().collect::<Vec<_>>().join("\u{a0}")
    };
    ticks
        .into_iter()
        .map(|(place, label)| (place, group(label)))
        .collect()
}

fn days(zero: Date, from: f64, to: f64) -> Vec<Tick> {
    let step = [1.0, 2.0, 7.0, 14.0, 28.0]
        .into_iter()
        .find(|step| (to - from) / step <= f64::from(MOST_ACROSS));
    let step = step.unwrap_or(28.0);
    let first = from.ceil();
    (0..=MOST_ACROSS)
        .map(|index| first + step * f64::from(index))
        .filter(|place| *place <= to)
        .filter_map(|place| Some((place, shown(date_at(zero, place)?))))
        .collect()
}

/// First days of months, a round number of months apart.
fn months(zero: Date, from: f64, to: f64) -> Vec<Tick> {
    let span = (to - from) / 30.44;
    let steps = [1i8, 2, 3, 6, 12, 24, 60, 120];
    let step = steps
        .into_iter()
        .find(|step| span / f64::from(*step) <= f64::from(MOST_ACROSS))
        .unwrap_or(120);
    let Some(start) = date_at(zero, from) else {
        return Vec::new();
    };
    let first = if step < 12 {
        start.first_of_month()
    } else {
        start.first_of_year()
    };
    // One of the months counted from January, so that half-years begin in January and July.
    let into_step = if step < 12 { (first.month() - 1) % step } else { 0 };
    (0..=MOST_ACROSS + 1)
        .filter_map(|index| {
            first
                .checked_add((i64::from(step) * i64::from(index) - i64::from(into_step)).months())
                .ok()
        })
        .filter_map(|date| Some((place_of(zero, date)?, date.strftime("%b %Y").to_string())))
        .filter(|(place, _)| (from..=to).contains(place))
        .collect()
}

fn date_at(zero: Date, place: f64) -> Option<Date> {
    zero.checked_add(jiff::Span::new().try_days(place.round().to_i64()?).ok()?)
        .ok()
}

fn place_of(zero: Date, date: Date) -> Option<f64> {
    Some(f64::from(zero.until(date).ok()?.get_days()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    fn labels(ticks: &[Tick]) -> Vec<&str> {
        ticks.iter().map(|(_, label)| label.as_str()).collect()
    }

    #[test]
    fn numbers_stand_at_round_places() {
        assert_eq!(
            labels(&numbers(0.0, 1.2, 7)),
            ["0.0", "0.2", "0.4", "0.6", "0.8", "1.0", "1.2"]
        );
        assert_eq!(
            labels(&numbers(0.0, 12.0, 7)),
            ["0", "2", "4", "6", "8", "10", "12"]
        );
        assert_eq!(
            labels(&numbers(-0.3, 6.0, 7)),
            ["0", "1", "2", "3", "4", "5", "6"]
        );
        assert_eq!(
            labels(&grouped(numbers(0.0, 24_000.0, 6))),
            ["0", "5\u{a0}000", "10\u{a0}000", "15\u{a0}000", "20\u{a0}000"]
        );
    }

    #[test]
    fn long_axes_are_marked_at_first_days_of_months_and_short_ones_at_days() {
        let zero = date(2025, 2, 10);
        assert_eq!(
            labels(&months(zero, 0.0, 720.0)),
            ["Jul 2025", "Jan 2026", "Jul 2026", "Jan 2027"]
        );
        assert_eq!(months(zero, 0.0, 720.0)[0].0, 141.0);
        assert_eq!(
            labels(&months(zero, -5.0, 120.0)),
            ["Mar 2025", "Apr 2025", "May 2025", "Jun 2025"]
        );
        assert_eq!(
            labels(&months(zero, 0.0, 3000.0)),
            ["Jan 2027", "Jan 2029", "Jan 2031", "Jan 2033"]
        );
        assert_eq!(
            labels(&days(zero, 0.0, 30.0)),
            [
                "10 Feb 2025",
                "17 Feb 2025",
                "24 Feb 2025",
                "3 Mar 2025",
                "10 Mar 2025"
            ]
        );
    }
}
