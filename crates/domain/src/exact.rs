//! Exact numbers: fractions of whole numbers, so that no comparison with a limit is ever of a rounded value.
//!
//! Owns the way from decimals into fractions and, for display only, back. It knows nothing of lifting.

use num_rational::BigRational;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

/// An exact number.
pub(crate) type Exact = BigRational;

/// The exact value of a decimal.
pub(crate) fn exact(value: Decimal) -> Exact {
    let power_of_ten = whole(10).pow(i32::try_from(value.scale()).unwrap_or(i32::MAX));
    Exact::from_integer(value.mantissa().into()) / power_of_ten
}

/// The exact value of a whole number.
pub(crate) fn whole(value: u32) -> Exact {
    Exact::from_integer(value.into())
}

/// For display: rounded up, so that a value over its limit is shown over it.
pub(crate) fn shown_up(value: &Exact, digits: u32) -> Decimal {
    shown(&(value * power(digits)).ceil(), digits)
}

/// For display: rounded down, so that a value short of its limit is shown short of it.
pub(crate) fn shown_down(value: &Exact, digits: u32) -> Decimal {
    shown(&(value * power(digits)).floor(), digits)
}

fn power(digits: u32) -> Exact {
    whole(10).pow(i32::try_from(digits).unwrap_or(i32::MAX))
}

/// A number too long for the decimal type is shown as the longest that fits: no plate and no clamp reaches it.
fn shown(scaled: &Exact, digits: u32) -> Decimal {
    scaled
        .to_integer()
        .to_i128()
        .and_then(|mantissa| Decimal::try_from_i128_with_scale(mantissa, digits).ok())
        .unwrap_or(Decimal::MAX)
        .normalize()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_decimal_survives_the_way_there_and_back() {
        for text in ["0", "0.0001", "3000", "45359.237", "-4.5", "9999999.9999"] {
            let value: Decimal = text.parse().unwrap();
            assert_eq!(shown_up(&exact(value), 4), value.normalize(), "{text}");
            assert_eq!(shown_down(&exact(value), 4), value.normalize(), "{text}");
        }
    }

    #[test]
    fn a_third_is_shown_on_the_side_asked_for() {
        let third = whole(1) / whole(3);
        assert_eq!(shown_up(&third, 4).to_string(), "0.3334");
        assert_eq!(shown_down(&third, 4).to_string(), "0.3333");
    }

    #[test]
    fn a_number_too_long_for_a_decimal_is_shown_as_the_longest() {
        assert_eq!(shown_up(&whole(10).pow(40), 4), Decimal::MAX);
    }
}
