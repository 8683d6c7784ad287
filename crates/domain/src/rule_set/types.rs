//! The shape of a rule set's data file. Nothing here decides anything.

use crate::calendar::Interval;
use crate::criteria::Scope;
use crate::source::Source;
use crate::words::{CompetenceKind, ExaminationBasis, ExceptionalReason, RuleSetName, words};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

words! {
    /// One of the two inspection clocks of a clamp.
    Clock {
        /// Started by frequent inspections and by everything of periodic scope.
        Frequent = "frequent",
        /// Started by initial, periodic, after-repair and exceptional inspections.
        Periodic = "periodic",
    }
}

macro_rules! data {
    ($($(#[$doc:meta])* $name:ident { $($(#[$fdoc:meta])* $field:ident: $type:ty),+ $(,)? })+) => {$(
        $(#[$doc])*
        #[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
        #[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
        #[serde(deny_unknown_fields)]
        pub struct $name { $($(#[$fdoc])* pub $field: $type),+ }
    )+};
}

/// What a rule set says about one clock in one service class.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "rule", rename_all = "snake_case")]
pub enum ClockRule {
    /// An interval.
    Fixed(IntervalRule),
    /// As a qualified person directs in a dated entry; without one the clamp is not fit.
    Directed {
        /// With the direction "each use": how long a credited inspection holds.
        each_use_within: Interval,
        /// Who says so.
        source: Source,
    },
    /// No interval is fixed: nothing falls due unless the yard or the maker sets one.
    NotFixed {
        /// Who says so.
        source: Source,
    },
}

data! {
    /// A fixed interval.
    IntervalRule {
        /// What holds where the yard chose nothing.
        default: Interval,
        /// The longest that a yard may choose; shorter is always allowed.
        longest: Interval,
        /// Who says so.
        source: Source,
    }
    /// One clock's rules, per service class.
    ClockRules {
        /// Normal service.
        normal: ClockRule,
        /// Heavy service.
        heavy: ClockRule,
        /// Severe service.
        severe: ClockRule,
        /// Special service.
        special: ClockRule,
    }
    /// Both clocks.
    Clocks {
        /// Frequent (GB: interim) inspections.
        frequent: ClockRules,
        /// Periodic inspections (GB: thorough examinations).
        periodic: ClockRules,
    }
    /// How far an inspection goes.
    ScopeRule {
        /// How far.
        scope: Scope,
        /// Who says so.
        source: Source,
    }
    /// After what an exceptional inspection demands taking apart and a crack test.
    ExceptionalDismantled {
        /// The reasons.
        reasons: Vec<ExceptionalReason>,
        /// Who says so.
        source: Source,
    }
    /// How far each kind of inspection goes.
    Scopes {
        /// Initial.
        initial: ScopeRule,
        /// Before an occasion.
        pre_lift: ScopeRule,
        /// After an occasion.
        post_lift: ScopeRule,
        /// Frequent.
        frequent: ScopeRule,
        /// Periodic.
        periodic: ScopeRule,
        /// After repair.
        after_repair: ScopeRule,
        /// Exceptional.
        exceptional: ScopeRule,
        /// Exceptional, taken apart.
        exceptional_dismantled: ExceptionalDismantled,
    }
    /// Whose inspection counts.
    CompetenceRule {
        /// The competence needed on the day of the inspection.
        competence: CompetenceKind,
        /// Who says so.
        source: Source,
    }
    /// Whose inspection counts, per kind of inspection. An edition that lets another person inspect is another version.
    Crediting {
        /// Initial.
        initial: CompetenceRule,
        /// Before an occasion.
        pre_lift: CompetenceRule,
        /// After an occasion.
        post_lift: CompetenceRule,
        /// Frequent.
        frequent: CompetenceRule,
        /// Periodic.
        periodic: CompetenceRule,
        /// After repair.
        after_repair: CompetenceRule,
        /// Exceptional.
        exceptional: CompetenceRule,
    }
    /// Wear at which a measured part is rejected; reaching it rejects.
    WearLimit {
        /// In percent of nominal.
        #[cfg_attr(feature = "openapi", schema(value_type = String, example = "10"))]
        percent: Decimal,
        /// Who says so.
        source: Source,
    }
    /// Wear limits where the model gives none.
    WearLimits {
        /// Shackle and lifting eye.
        shackle: WearLimit,
        /// Every other part, and growth of holes.
        other_parts: WearLimit,
        /// Opening of the throat against the original.
        throat_growth: WearLimit,
    }
    /// Proof test of a custom design in construction.
    CustomDesignTest {
        /// The load needed, in percent of WLL: at least this.
        #[cfg_attr(feature = "openapi", schema(value_type = String, example = "125"))]
        percent: Decimal,
        /// Who demands it before the first use.
        before_first_use: Source,
        /// Who demands it after a repair.
        after_repair: Source,
    }
    /// Figures of proof tests.
    ProofTestRule {
        /// The highest load without the maker's figure, in percent of WLL; exactly this is allowed.
        #[cfg_attr(feature = "openapi", schema(value_type = String, example = "125.0"))]
        max_percent: Decimal,
        /// Whether a higher load without the maker's figure opens a lock-out.
        over_limit_opens_lockout: bool,
        /// The WLL is at most this percentage of the test load.
        #[cfg_attr(feature = "openapi", schema(value_type = String, example = "80"))]
        rated_at_most_percent_of_test_load: Decimal,
        /// Who says so.
        source: Source,
        /// Where custom designs must always be tested.
        custom_design: Option<CustomDesignTest>,
    }
    /// A clamp not in regular use needs an inspection before use.
    IdleRule {
        /// From this gap on, a frequent one.
        frequent_from: Interval,
        /// From this gap on, a periodic one.
        periodic_from: Interval,
        /// Who says so.
        source: Source,
    }
    /// Schemes of examination.
    SchemeRule {
        /// Whether a scheme may set a longer interval than the legal one.
        may_be_longer: bool,
        /// Who says so.
        source: Source,
    }
    /// On which basis a thorough examination of a clamp may be made.
    ExaminationBases {
        /// The allowed ones.
        allowed: Vec<ExaminationBasis>,
        /// Who says so.
        source: Source,
    }
    /// A new clamp needs no thorough examination before its first use.
    FirstUseExemption {
        /// Put into service at most this long after the declaration of conformity.
        declaration_within: Interval,
        /// Who says so.
        source: Source,
    }
    /// When a report is expected.
    ReportGuidance {
        /// Days after the examination.
        days: u16,
        /// Who says so.
        source: Source,
    }
    /// The thorough examination.
    ThoroughExamination {
        /// From the day examined to the legal date.
        interval: Interval,
        /// Who says so.
        source: Source,
        /// Examination schemes.
        scheme: SchemeRule,
        /// Bases.
        bases: ExaminationBases,
        /// Exemption at first use.
        first_use_exemption: FirstUseExemption,
        /// Who allows use up to a date with a defect (grade `danger_by`).
        danger_by: Source,
        /// When the report is expected.
        report_within_days: ReportGuidance,
    }
    /// A rule set in one version.
    RuleSet {
        /// Its name.
        name: RuleSetName,
        /// 1, 2, 3 …
        version: u32,
        /// What it is.
        title: String,
        /// How well its texts are known.
        note: String,
        /// Intervals.
        clocks: Clocks,
        /// How far inspections go.
        scopes: Scopes,
        /// Whose inspections count.
        crediting: Crediting,
        /// Wear limits.
        wear_limits: WearLimits,
        /// Proof tests.
        proof_test: ProofTestRule,
        /// Clamps not in regular use.
        idle: Option<IdleRule>,
        /// The thorough examination.
        thorough_examination: Option<ThoroughExamination>,
    }
}
