//! Every stop of a lift check: one table of stable codes and the source that each rests on.
//!
//! Owns codes and sources. When a stop applies is decided by the rules beside it.

use crate::source::Certainty::{self, Computed, Memory, Practice, Secondary, Text};
use crate::source::Source;

macro_rules! stops {
    ($($(#[$doc:meta])* $name:ident = $code:literal, $cite:literal, $certainty:ident;)+) => {
        /// A stop. A clamp that is not fit stops with the codes of its own reasons instead.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum StopCode { $($(#[$doc])* $name),+ }

        impl StopCode {
            /// Every stop.
            pub const ALL: &'static [Self] = &[$(Self::$name),+];
            /// The stable code.
            pub const fn code(self) -> &'static str { match self { $(Self::$name => $code),+ } }
            /// On what it rests, unless the reason names something nearer.
            pub const fn source(self) -> Source {
                let (cite, certainty): (&'static str, Certainty) = match self { $(Self::$name => ($cite, $certainty)),+ };
                Source::fixed(cite, certainty)
            }
        }
    };
}

stops! {
    /// A clamp is not fit, and nothing nearer is known.
    NotFit = "not_fit", "no lift with a clamp that is not fit", Practice;
    /// A clamp of the list is not known.
    ClampUnknown = "clamp_unknown", "no lift with a clamp that is not known", Practice;
    /// A clamp stands in the list more than once.
    ClampListedTwice = "clamp_listed_twice", "one clamp per leg", Practice;
    /// Not one clamp per leg.
    ClampsNotLegs = "clamps_not_legs", "one clamp per leg", Practice;
    /// No leg, or more than four.
    LegsOutOfRange = "legs_out_of_range", "statics of one to four legs", Computed;
    /// Nobody knows the plate's mass.
    MassUnknown = "mass_unknown", "no lift of an unknown mass", Practice;
    /// No plate at all.
    NoPlate = "no_plate", "a lift has at least one plate", Practice;
    /// Leg tension over the WLL.
    TensionOverWll = "tension_over_wll", "leg tension = share ÷ sin(angle from horizontal); tension = WLL passes", Computed;
    /// Share below the minimum load.
    ShareBelowMinimum = "share_below_minimum", "maker's instructions: minimum load of the clamp, 20 % of WLL unless stated", Secondary;
    /// Legs too flat.
    AngleTooLow = "angle_too_low", "no leg below 30° from horizontal (sling-angle tables end there)", Secondary;
    /// Legs cannot hang so.
    AngleOutOfRange = "angle_out_of_range", "an angle from horizontal lies between 0° and 90°", Computed;
    /// One leg that does not hang straight.
    OneLegNotVertical = "one_leg_not_vertical", "one leg hangs at 90°", Secondary;
    /// The centre of gravity is not between the clamps.
    CentreOfGravityOutside = "centre_of_gravity_outside", "lever rule: shares (s/2 ± e) ÷ s; e ≥ s/2 tips", Computed;
    /// An offset without a spacing.
    ClampSpacingMissing = "clamp_spacing_missing", "lever rule: shares (s/2 ± e) ÷ s need s", Computed;
    /// Thickness outside the jaw opening.
    ThicknessOutsideJawOpening = "thickness_outside_jaw_opening", "jaw opening marked on the clamp; both ends pass", Secondary;
    /// Kind of lift not the clamp's.
    KindOfLift = "kind_of_lift", "a clamp does only the kinds of lift that it is made for", Practice;
    /// Horizontal clamps not in pairs.
    HorizontalNotInPairs = "horizontal_not_in_pairs", "horizontal clamps are used in pairs", Practice;
    /// Tilt across the body of a single-pivot clamp.
    TiltOverTenDegrees = "tilt_over_ten_degrees", "DGUV 209-019", Text;
    /// No lock.
    NoLock = "no_lock", "DGUV 209-013", Text;
    /// Hung straight on the crane hook.
    OnCraneHook = "on_crane_hook", "maker's instructions: not straight on the crane hook", Secondary;
    /// More than one plate.
    MoreThanOnePlate = "more_than_one_plate", "maker's instructions: one plate at a time", Secondary;
    /// Plate from under a stack.
    FromUnderStack = "from_under_stack", "maker's instructions: no plate from under a stack", Secondary;
    /// Over the hoist's capacity.
    HoistOverloaded = "hoist_overloaded", "ASME B30.20 (plate, clamps and rigging within the hoist's capacity)", Text;
    /// Operator's training not valid.
    OperatorNotTrained = "operator_not_trained", "ASME B30.20 (trained operators)", Text;
    /// Harder than the model's limit.
    HardnessOverLimit = "hardness_over_limit", "the model's hardness limit; equal passes", Secondary;
    /// Hardness unknown, and the model has a limit.
    HardnessUnknown = "hardness_unknown", "a model with a hardness limit needs the plate's hardness", Practice;
    /// Harder than the default limit.
    HardnessOverDefault = "hardness_over_default", "300 HB where the model has no limit (from memory)", Memory;
    /// Something in the bite.
    SurfaceNotGripped = "surface_not_gripped", "maker's instructions; DGUV 209-013", Secondary;
    /// Plate or air too cold or too hot.
    TemperatureOutOfRange = "temperature_out_of_range", "maker's instructions: 25 to 150 °F (−4 to 66 °C) unless the model states its own; ends pass", Secondary;
    /// Every-lift check failed.
    EveryLiftCheckFailed = "every_lift_check_failed", "the operator's check before every lift", Practice;
    /// Every-lift check not made.
    EveryLiftCheckNotDone = "every_lift_check_not_done", "the operator's check before every lift", Practice;
}
