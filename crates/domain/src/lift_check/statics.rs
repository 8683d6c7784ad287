//! Statics of the rigging: what one leg carries.
//!
//! Owns the sine, the one place of this module where a float occurs, and the lever rule. It must never know a
//! clamp, a limit or an answer.

use crate::exact::{Exact, exact, whole};
use crate::quantity::{Angle, Length};
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

/// Part of the floating sine that is given up, far more than the few units in the last place by which the
/// conversion to radians and the sine may err.
const SINE_MARGIN: f64 = 1e-14;

/// The sine of a leg's angle from horizontal, exact at 30° and 90°, elsewhere never more than the true one, so that
/// tension = share ÷ sine is never understated. `None` for 0° and above 90°, where no leg can hang.
///
/// Equality of share and WLL · sine, which passes, is decided exactly where it can occur: at a rational number of
/// degrees from 0° to 90° the sine is rational at 0°, 30° and 90° only (Niven's theorem), and share and WLL are
/// rational. Elsewhere they differ, and a load within one part in 10¹⁴ below its limit stops rather than passes.
pub(super) fn sine(angle: Angle) -> Option<Exact> {
    let degrees = angle.degrees();
    if degrees <= Decimal::ZERO || degrees > Decimal::from(90) {
        None
    } else if degrees == Decimal::from(90) {
        Some(whole(1))
    } else if degrees == Decimal::from(30) {
        Some(whole(1) / whole(2))
    } else {
        let sine = degrees.to_f64()?.to_radians().sin();
        Exact::from_float(sine * (1.0 - SINE_MARGIN))
    }
}

/// What the most and the least loaded clamp may carry of a load, before the angle.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Shares {
    /// The largest share: counts against the WLL.
    pub(super) heaviest: Exact,
    /// The smallest share: counts against the minimum load.
    pub(super) lightest: Exact,
}

/// Where the centre of gravity hangs between the clamps.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Balance {
    /// Midway, or not stated otherwise.
    Midway,
    /// Off mid-span: the part of the load at the heavier and at the lighter end.
    Offset {
        /// (s/2 + e) ÷ s.
        heavier: Exact,
        /// (s/2 − e) ÷ s.
        lighter: Exact,
    },
    /// Not between the clamps, e ≥ s/2: one end carries everything.
    Outside,
}

/// The balance of a load hung at spacing s with its centre of gravity e from mid-span.
pub(super) fn balance(spacing: Length, offset: Length) -> Balance {
    let (spacing, offset) = (exact(spacing.millimetres()), exact(offset.millimetres()));
    let half = &spacing / whole(2);
    if offset >= half {
        Balance::Outside
    } else if offset == whole(0) {
        Balance::Midway
    } else {
        Balance::Offset {
            heavier: (&half + &offset) / &spacing,
            lighter: (half - offset) / spacing,
        }
    }
}

/// Shares of a load over the legs.
///
/// One leg carries all. Two share by the lever rule, (s/2 ± e) ÷ s. Of three or four under a stiff load two may carry
/// all (US Navy rigging manual), so the heaviest share is that of two; the lightest is an even share, or its part of
/// the lighter end where the centre of gravity lies off mid-span. `None` without legs.
pub(super) fn shares(load: &Exact, legs: u8, balance: &Balance) -> Option<Shares> {
    let even = |parts: u8| load / whole(u32::from(parts));
    let (heaviest, lightest) = match (legs, balance) {
        (0, _) => return None,
        (1, _) => (load.clone(), load.clone()),
        (_, Balance::Midway) => (even(2), even(legs)),
        (_, Balance::Offset { heavier, lighter }) => {
            let at_an_end = whole(u32::from(legs.div_ceil(2)));
            (load * heavier, load * lighter / at_an_end)
        }
        (_, Balance::Outside) => (load.clone(), whole(0)),
    };
    Some(Shares { heaviest, lightest })
}
