//! What a trend comes to on paper: numbers read back from their decimal text, and the frame that holds them all.

use clampward_domain::wear::{CurvePoint, TrendPoint, WearAxis, WearTrend};
use jiff::civil::Date;

/// A reading on paper.
pub(super) struct Dot {
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) part: u32,
    pub(super) current: bool,
}

/// Line and band at one place.
pub(super) struct Place {
    pub(super) x: f64,
    pub(super) line: f64,
    pub(super) lower: f64,
    pub(super) upper: f64,
}

/// Everything that is drawn, and the ends of both axes.
pub(super) struct Frame {
    pub(super) dots: Vec<Dot>,
    pub(super) curve: Vec<Place>,
    pub(super) limit: f64,
    pub(super) limit_reached: bool,
    pub(super) expected: Option<(f64, Date)>,
    pub(super) renewals: Vec<(f64, Date)>,
    pub(super) x: (f64, f64),
    pub(super) y: (f64, f64),
}

/// Reads a number of the trend.
pub(super) fn number(text: &str) -> Option<f64> {
    text.parse().ok().filter(|value: &f64| value.is_finite())
}

impl Frame {
    pub(super) fn of(trend: &WearTrend) -> Self {
        let dots: Vec<Dot> = trend.points.iter().filter_map(dot).collect();
        let curve: Vec<Place> = trend.curve.iter().filter_map(place).collect();
        let limit = number(&trend.limit).unwrap_or(0.0);
        let x = across(&dots, &curve);
        let expected = trend
            .expected_limit_x
            .as_deref()
            .and_then(number)
            .zip(trend.expected_limit_on);
        let renewals = renewals(trend, &dots);
        // From 0 to 1.2 times the limit; a reading outside is still shown.
        let highest = dots.iter().map(|dot| dot.y * 1.05).fold(limit * 1.2, f64::max);
        let lowest = dots.iter().map(|dot| dot.y * 1.05).fold(0.0, f64::min);
        let highest = if highest > lowest { highest } else { lowest + 1.0 };
        let renewals = renewals
            .into_iter()
            .filter(|(at, _)| (x.0..=x.1).contains(at))
            .collect();
        Self {
            dots,
            curve,
            limit,
            limit_reached: trend.limit_reached,
            expected,
            renewals,
            x,
            y: (lowest, highest),
        }
    }

    /// Outline of the band, kept inside the frame.
    pub(super) fn band(&self) -> Vec<(f64, f64)> {
        let inside = |y: f64| y.clamp(self.y.0, self.y.1);
        let upper = self.curve.iter().map(|place| (place.x, inside(place.upper)));
        let lower = self
            .curve
            .iter()
            .rev()
            .map(|place| (place.x, inside(place.lower)));
        upper.chain(lower).collect()
    }

    /// The part of a curve that lies inside the frame, cut where it leaves it.
    pub(super) fn visible(&self, height: impl Fn(&Place) -> f64) -> Vec<(f64, f64)> {
        let points: Vec<(f64, f64)> = self.curve.iter().map(|place| (place.x, height(place))).collect();
        let inside = |y: f64| (self.y.0..=self.y.1).contains(&y);
        let mut kept: Vec<(f64, f64)> = points
            .iter()
            .take(1)
            .copied()
            .filter(|(_, y)| inside(*y))
            .collect();
        for (from, to) in points.iter().zip(points.iter().skip(1)) {
            if inside(from.1) != inside(to.1) {
                let (within, beyond) = if inside(from.1) { (from, to) } else { (to, from) };
                let edge = if beyond.1 > self.y.1 { self.y.1 } else { self.y.0 };
                let share = (edge - within.1) / (beyond.1 - within.1);
                kept.push((within.0 + share * (beyond.0 - within.0), edge));
            }
            if inside(to.1) {
                kept.push(*to);
            }
        }
        kept
    }

    /// The readings of each earlier part that has more than one.
    pub(super) fn earlier_parts(&self) -> Vec<Vec<(f64, f64)>> {
        let earlier: Vec<&Dot> = self.dots.iter().filter(|dot| !dot.current).collect();
        earlier
            .chunk_by(|one, next| one.part == next.part)
            .filter(|part| part.len() > 1)
            .map(|part| part.iter().map(|dot| (dot.x, dot.y)).collect())
            .collect()
    }
}

fn dot(point: &TrendPoint) -> Option<Dot> {
    let x = number(point.x.as_deref()?)?;
    Some(Dot {
        x,
        y: number(&point.wear)?,
        part: point.part,
        current: point.current,
    })
}

fn place(point: &CurvePoint) -> Option<Place> {
    Some(Place {
        x: number(&point.x)?,
        line: number(&point.line)?,
        lower: number(&point.lower)?,
        upper: number(&point.upper)?,
    })
}

/// Both ends of the horizontal axis, with a little air.
fn across(dots: &[Dot], curve: &[Place]) -> (f64, f64) {
    let places = || {
        dots.iter()
            .map(|dot| dot.x)
            .chain(curve.iter().map(|place| place.x))
    };
    let first = places().fold(f64::INFINITY, f64::min);
    let last = places().fold(f64::NEG_INFINITY, f64::max);
    if first > last {
        return (0.0, 1.0);
    }
    let air = if last > first { (last - first) * 0.03 } else { 10.0 };
    (first - air, last + air)
}

/// Where each renewal stands: on its day, or between the readings before and after it on an axis in lifts.
fn renewals(trend: &WearTrend, dots: &[Dot]) -> Vec<(f64, Date)> {
    let between = |renewals_before: u32| {
        let before = dots
            .iter()
            .filter(|dot| dot.part <= renewals_before)
            .map(|dot| dot.x)
            .reduce(f64::max)?;
        let after = dots
            .iter()
            .filter(|dot| dot.part > renewals_before)
            .map(|dot| dot.x)
            .reduce(f64::min)?;
        Some((before + after) / 2.0)
    };
    let stands = trend.renewals.iter().zip(0u32..).filter_map(|(renewal, index)| {
        let x = match trend.against {
            WearAxis::Days => number(renewal.x.as_deref()?)?,
            WearAxis::Lifts => between(index)?,
        };
        Some((x, renewal.renewed_on))
    });
    stands.collect()
}
