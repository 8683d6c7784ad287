//! Every caution of a lift check: one table of stable codes, sentences and sources.
//!
//! Owns codes, words and sources. A caution never turns `clear` into `stop`.

use crate::source::Certainty::{Computed, Memory, Practice, Secondary, Text};
use crate::source::Source;
use serde::{Deserialize, Serialize};

macro_rules! cautions {
    ($($name:ident = $code:literal, $detail:literal, $cite:literal, $certainty:ident;)+) => {
        /// A caution.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub enum CautionCode { $(#[doc = $detail] #[serde(rename = $code)] $name),+ }

        #[cfg(feature = "openapi")]
        impl utoipa::PartialSchema for CautionCode {
            fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
                crate::words::schema("A caution.", &[$(($code, $detail)),+])
            }
        }
        #[cfg(feature = "openapi")]
        impl utoipa::ToSchema for CautionCode {}

        impl CautionCode {
            /// Every caution.
            pub const ALL: &'static [Self] = &[$(Self::$name),+];
            /// The stable code.
            pub const fn code(self) -> &'static str { match self { $(Self::$name => $code),+ } }
            /// What to mind.
            pub const fn detail(self) -> &'static str { match self { $(Self::$name => $detail),+ } }
            /// On what it rests.
            pub const fn source(self) -> Source { match self { $(Self::$name => Source::fixed($cite, $certainty)),+ } }
        }
    };
}

cautions! {
    LockAndSeat = "lock_and_seat", "Close the lock and seat the plate against the throat.", "maker's instructions", Secondary;
    StandClear = "stand_clear", "Nobody under or beside the plate within twice its height.", "maker's instructions", Secondary;
    NoSidePull = "no_side_pull", "No side pull.", "maker's instructions", Secondary;
    SecureBeforeRelease = "secure_before_release", "Never release before the plate is secured.", "maker's instructions", Secondary;
    KeepLow = "keep_low", "Lift no higher than needed.", "maker's instructions", Secondary;
    ScrewLock = "screw_lock", "Screw lock: it gives no continuous positive grip on the plate.", "South Australia safety alert 57", Text;
    AngleBelow45 = "angle_below_45", "Legs between 30° and 45° from horizontal: tension rises steeply.", "sling-angle tables", Secondary;
    NoRatingForLift = "no_rating_for_lift", "The maker gives no WLL for this kind of lift and angle: the full WLL is used.", "the lowest WLL that applies", Practice;
    RatingInDoubt = "rating_in_doubt", "Papers disagree on WLL or jaw opening: the lowest WLL and the narrowest opening are used.", "the lowest WLL that applies", Practice;
    NominalMass = "nominal_mass", "The mass is computed from nominal dimensions: rolling tolerance is not in it.", "L · W · t · density", Computed;
    BalanceAssumed = "balance_assumed", "No offset of the centre of gravity given: midway between the clamps is assumed.", "lever rule", Computed;
    OffsetUnderOneLeg = "offset_under_one_leg", "One leg must hang above the centre of gravity: the plate will swing under it.", "lever rule", Computed;
    TiltNotGiven = "tilt_not_given", "Tilt across the body not given: more than 10° is not allowed with a single-pivot eye.", "DGUV 209-019", Text;
    LockNotKnown = "lock_not_known", "The model does not say how it locks: no vertical or turning lift without a lock.", "DGUV 209-013", Text;
    HoistCapacityNotGiven = "hoist_capacity_not_given", "Hoist capacity not given: check that plate, clamps and rigging are within it.", "ASME B30.20", Text;
    RiggingMassNotGiven = "rigging_mass_not_given", "Mass of the rigging not given: it is not in the comparison with the hoist's capacity.", "ASME B30.20", Text;
    ClampMassNotKnown = "clamp_mass_not_known", "Mass of the clamp not known: it is not in the comparison with the hoist's capacity.", "ASME B30.20", Text;
    TrainingNotKnown = "training_not_known", "The operator's training is not known here.", "ASME B30.20", Text;
    HardnessNotKnown = "hardness_not_known", "Hardness of the plate not known: teeth may not bite above 300 HB.", "300 HB where the model has no limit (from memory)", Memory;
    SurfaceNotGiven = "surface_not_given", "Surface not given: no paint, film, oil, grease, ice, loose scale, taper, bent or bevelled edge in the bite.", "maker's instructions; DGUV 209-013", Secondary;
    TemperatureNotGiven = "temperature_not_given", "Temperature not given: plate and air must be within the clamp's range.", "maker's instructions", Secondary;
}

impl CautionCode {
    /// Those that go with every answer.
    pub(super) const USUAL: [Self; 5] = [
        Self::LockAndSeat,
        Self::StandClear,
        Self::NoSidePull,
        Self::SecureBeforeRelease,
        Self::KeepLow,
    ];
}
