//! Bands of working load limits, for counts over a fleet. The bounds are our own choice; the upper one belongs to the band.

use crate::words::words;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

words! {
    /// A band of working load limits in tonnes.
    WllBand {
        /// 1 t and less.
        UpTo1T = "up_to_1_t",
        /// More than 1 t, up to 3 t.
        Over1To3T = "over_1_to_3_t",
        /// More than 3 t, up to 5 t.
        Over3To5T = "over_3_to_5_t",
        /// More than 5 t, up to 10 t.
        Over5To10T = "over_5_to_10_t",
        /// More than 10 t.
        Over10T = "over_10_t",
        /// No WLL is known.
        Unknown = "unknown",
    }
}

impl WllBand {
    /// The tonnes that it begins above, and those that it goes up to.
    pub const fn bounds(self) -> (Option<u8>, Option<u8>) {
        match self {
            Self::UpTo1T => (None, Some(1)),
            Self::Over1To3T => (Some(1), Some(3)),
            Self::Over3To5T => (Some(3), Some(5)),
            Self::Over5To10T => (Some(5), Some(10)),
            Self::Over10T => (Some(10), None),
            Self::Unknown => (None, None),
        }
    }
    /// The band of a WLL in kilograms.
    pub fn of(wll_kg: Option<Decimal>) -> Self {
        let Some(wll_kg) = wll_kg else {
            return Self::Unknown;
        };
        Self::ALL
            .iter()
            .copied()
            .filter(|band| *band != Self::Unknown)
            .find(|band| {
                band.bounds()
                    .1
                    .is_none_or(|tonnes| wll_kg <= Decimal::from(tonnes) * Decimal::ONE_THOUSAND)
            })
            .unwrap_or(Self::Unknown)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_upper_bound_belongs_to_the_band() {
        for (kilograms, band) in [
            ("0.5", WllBand::UpTo1T),
            ("1000", WllBand::UpTo1T),
            ("1000.001", WllBand::Over1To3T),
            ("3000", WllBand::Over1To3T),
            // Source: 3 short tons of 907.18474 kg each (NIST Handbook 44, appendix C).
            ("2721.55422", WllBand::Over1To3T),
            ("5000", WllBand::Over3To5T),
            ("10000", WllBand::Over5To10T),
            ("10000.0", WllBand::Over5To10T),
            ("10000.1", WllBand::Over10T),
        ] {
            assert_eq!(WllBand::of(kilograms.parse().ok()), band, "{kilograms}");
        }
        assert_eq!(WllBand::of(None), WllBand::Unknown);
    }
}
