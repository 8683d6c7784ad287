//! Least squares of a straight line, and quantiles of Student's t.
//!
//! The only place of the rules where floating point is allowed: what is compared with a limit is an exact decimal
//! elsewhere. Sums are taken about the means, so that a large offset (a date, a lift count) costs no digits. This
//! module knows numbers only: no clamp, no date, no unit.
//!
//! Formulas: NIST/SEMATECH e-Handbook of Statistical Methods, section 4.1.4.1 (linear least squares) and 4.5.1
//! (prediction); they are checked against the certified values of NIST's Statistical Reference Datasets.

use statrs::distribution::{ContinuousCDF, StudentsT};

/// Why no line can be fitted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum FitError {
    /// No degree of freedom would be left to tell the scatter.
    #[error("too few points for a line and its scatter")]
    TooFewPoints,
    /// Every point has the same x (or, through the origin, x = 0).
    #[error("all points have the same x")]
    NoSpread,
    /// A number that is not finite, or sums that overflow.
    #[error("a value is not a finite number")]
    NotFinite,
}

/// A fitted line y = intercept + slope · x.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// y at x = 0; exactly 0 for a line through the origin.
    pub intercept: f64,
    /// Change of y per unit of x.
    pub slope: f64,
    /// Standard error of the intercept; 0 for a line through the origin.
    pub intercept_standard_error: f64,
    /// Standard error of the slope.
    pub slope_standard_error: f64,
    /// Standard deviation of the residuals, with `degrees_of_freedom` in the denominator.
    pub residual_sd: f64,
    /// Share of the sum of squares that the line explains (about the mean; through the origin: about 0). None where
    /// all y are alike and there is nothing to explain.
    pub r_squared: Option<f64>,
    /// Number of points.
    pub n: u32,
    /// n − 2, or n − 1 through the origin.
    pub degrees_of_freedom: u32,
    centre: Centre,
}

/// What the line was fitted about: the means, or the origin.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Centre {
    x: f64,
    y: f64,
    /// Sum of squares of x about the centre.
    xx: f64,
    /// Variance of the height at the centre, in units of the residual variance: 1/n, or 0 at the origin.
    height: f64,
}

/// Fits y = a + b·x to at least three points.
pub fn fit_line(points: &[(f64, f64)]) -> Result<Line, FitError> {
    let n = count(points)?;
    let degrees_of_freedom = n
        .checked_sub(2)
        .filter(|free| *free > 0)
        .ok_or(FitError::TooFewPoints)?;
    let (x, y) = (mean(points, |point| point.0), mean(points, |point| point.1));
    let height = 1.0 / f64::from(n);
    fit_about(
        points,
        Centre {
            x,
            y,
            xx: 0.0,
            height,
        },
        n,
        degrees_of_freedom,
    )
}

/// Fits y = b·x to at least two points.
pub fn fit_through_origin(points: &[(f64, f64)]) -> Result<Line, FitError> {
    let n = count(points)?;
    let degrees_of_freedom = n
        .checked_sub(1)
        .filter(|free| *free > 0)
        .ok_or(FitError::TooFewPoints)?;
    fit_about(
        points,
        Centre {
            x: 0.0,
            y: 0.0,
            xx: 0.0,
            height: 0.0,
        },
        n,
        degrees_of_freedom,
    )
}

fn count(points: &[(f64, f64)]) -> Result<u32, FitError> {
    if points.iter().any(|(x, y)| !x.is_finite() || !y.is_finite()) {
        return Err(FitError::NotFinite);
    }
    u32::try_from(points.len()).map_err(|_| FitError::NotFinite)
}

/// The mean in two passes: the second takes out the rounding of the first.
fn mean(points: &[(f64, f64)], of: impl Fn(&(f64, f64)) -> f64) -> f64 {
    let n: f64 = points.iter().map(|_| 1.0).sum();
    let first = points.iter().map(&of).sum::<f64>() / n;
    first + points.iter().map(|point| of(point) - first).sum::<f64>() / n
}

fn fit_about(
    points: &[(f64, f64)],
    about: Centre,
    n: u32,
    degrees_of_freedom: u32,
) -> Result<Line, FitError> {
    let centred = || points.iter().map(|(x, y)| (x - about.x, y - about.y));
    let xx: f64 = centred().map(|(x, _)| x * x).sum();
    let xy: f64 = centred().map(|(x, y)| x * y).sum();
    let yy: f64 = centred().map(|(_, y)| y * y).sum();
    if xx == 0.0 {
        return Err(FitError::NoSpread);
    }
    let slope = xy / xx;
    let residual_squares: f64 = centred()
        .map(|(x, y)| y - slope * x)
        .map(|rest| rest * rest)
        .sum();
    let residual_sd = (residual_squares / f64::from(degrees_of_freedom)).sqrt();
    let centre = Centre { xx, ..about };
    let line = Line {
        intercept: centre.y - slope * centre.x,
        slope,
        intercept_standard_error: residual_sd * (centre.height + centre.x * centre.x / xx).sqrt(),
        slope_standard_error: residual_sd / xx.sqrt(),
        residual_sd,
        r_squared: (yy > 0.0).then(|| 1.0 - residual_squares / yy),
        n,
        degrees_of_freedom,
        centre,
    };
    let finite = [
        line.intercept,
        line.slope,
        line.intercept_standard_error,
        line.slope_standard_error,
        yy,
    ];
    if finite.iter().all(|value| value.is_finite()) {
        Ok(line)
    } else {
        Err(FitError::NotFinite)
    }
}

impl Line {
    /// Height of the line at `x`.
    pub fn at(&self, x: f64) -> f64 {
        self.centre.y + self.slope * (x - self.centre.x)
    }
    /// Half width of the confidence interval of the line itself at `x`, for a quantile `t` of Student's t.
    pub fn mean_half_width(&self, x: f64, t: f64) -> f64 {
        t * self.residual_sd * self.height_variance(x).sqrt()
    }
    /// Half width of the prediction interval of one further reading at `x`, for a quantile `t` of Student's t.
    pub fn prediction_half_width(&self, x: f64, t: f64) -> f64 {
        t * self.residual_sd * (1.0 + self.height_variance(x)).sqrt()
    }
    fn height_variance(&self, x: f64) -> f64 {
        self.centre.height + (x - self.centre.x).powi(2) / self.centre.xx
    }
    /// The x at which a rising line reaches `level`; none for a line that does not rise.
    pub fn reaches(&self, level: f64) -> Option<f64> {
        let x = self.centre.x + (level - self.centre.y) / self.slope;
        (self.slope > 0.0 && x.is_finite()).then_some(x)
    }
    /// The x from which on the upper prediction bound of a rising line stays at or above `level`, for a quantile
    /// `t ≥ 0` of Student's t. None for a line that does not rise, and where the bound is nowhere below `level`.
    ///
    /// The bound is a branch of a hyperbola, so it may come down to the level from the left before it rises to it;
    /// asked for is the right-hand root of (c − b·u)² = k²·(1 + h + u²/Sxx), u and c measured from the centre.
    pub fn upper_bound_reaches(&self, level: f64, t: f64) -> Option<f64> {
        let c = level - self.centre.y;
        let k = t * self.residual_sd;
        let b = self.slope;
        // (b² − k²/Sxx)·u² − 2bc·u + (c² − k²(1 + h)) = 0, multiplied out so that no difference of large numbers
        // decides: with p = k²/Sxx and q = k²(1 + h), a quarter of the discriminant is p·c² + q·(b² − p).
        let p = k * k / self.centre.xx;
        let q = k * k * (1.0 + self.centre.height);
        let lead = b * b - p;
        let quarter = p * c * c + q * lead;
        if b.is_nan() || b <= 0.0 || quarter.is_nan() || quarter < 0.0 {
            return None;
        }
        let root = quarter.sqrt();
        let constant = c * c - q;
        // The two roots, the stable one of each pair of forms: (bc ± root)/lead = constant/(bc ∓ root).
        let far = b * c + root.copysign(b * c);
        let candidates = [far / lead, constant / far];
        let on_the_bound = |u: &f64| u.is_finite() && c - b * u >= -1e-9 * (c.abs() + (b * u).abs());
        let u = candidates.into_iter().filter(on_the_bound).reduce(f64::max)?;
        Some(self.centre.x + u)
    }
}

/// The quantile of Student's t: the value not exceeded with `probability`. None outside 0 < probability < 1 and for
/// 0 degrees of freedom.
pub fn student_t_quantile(probability: f64, degrees_of_freedom: u32) -> Option<f64> {
    if !(probability > 0.0 && probability < 1.0) {
        return None;
    }
    let distribution = StudentsT::new(0.0, 1.0, f64::from(degrees_of_freedom)).ok()?;
    Some(distribution.inverse_cdf(probability)).filter(|value| value.is_finite())
}

#[cfg(test)]
mod tests;
