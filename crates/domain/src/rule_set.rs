//! Rule sets: which intervals, limits and competences hold in a yard, each figure with its source.
//!
//! The figures live in the data files under `data/rule_sets`, one file per rule set and version; this module only
//! reads them. A version that was once published never changes: another figure is another version. It never knows
//! yards, clamps or dates, so whoever asks combines these rules with the yard's and the maker's tighter ones.

#[cfg(feature = "openapi")]
mod schema;
mod types;

pub use types::{
    Clock, ClockRule, ClockRules, Clocks, CompetenceRule, Crediting, CustomDesignTest, ExaminationBases,
    ExceptionalDismantled, FirstUseExemption, IdleRule, IntervalRule, ProofTestRule, ReportGuidance, RuleSet,
    SchemeRule, ScopeRule, Scopes, ThoroughExamination, WearLimit, WearLimits,
};

use crate::calendar::Interval;
use crate::criteria::{Criterion, Scope};
use crate::measured::WearDirection;
use crate::source::Source;
use crate::words::{Component, ExceptionalReason, InspectionKind, RuleSetName, ServiceClass};
use std::sync::LazyLock;

/// Every version of every rule set. A new version is a new file and a new element; [`current`] then names it.
static ALL: LazyLock<[RuleSet; 3]> = LazyLock::new(|| {
    [
        parsed(include_str!("../data/rule_sets/us-b30.20.json")),
        parsed(include_str!("../data/rule_sets/gb-loler.json")),
        parsed(include_str!("../data/rule_sets/de-dguv.json")),
    ]
});

#[expect(
    clippy::expect_used,
    reason = "the files are compiled in; a test reads each of them, so it cannot fail later"
)]
fn parsed(file: &str) -> RuleSet {
    serde_json::from_str(file).expect("an embedded rule set is well-formed")
}

/// Every version of every rule set.
pub fn all() -> &'static [RuleSet] {
    ALL.as_slice()
}

/// One version of a rule set.
pub fn rule_set(name: RuleSetName, version: u32) -> Option<&'static RuleSet> {
    all()
        .iter()
        .find(|rules| rules.name == name && rules.version == version)
}

/// The newest version of a rule set.
pub fn current(name: RuleSetName) -> &'static RuleSet {
    let [us, gb, de] = &*ALL;
    match name {
        RuleSetName::UsB3020 => us,
        RuleSetName::GbLoler => gb,
        RuleSetName::DeDguv => de,
    }
}

/// An interval longer than the rule set allows.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{asked} is longer than {longest}, the longest that {} allows ({clock}, class {class})", rule_source.cite)]
pub struct IntervalTooLong {
    /// The clock.
    pub clock: Clock,
    /// The service class.
    pub class: ServiceClass,
    /// What was asked for.
    pub asked: Interval,
    /// What is allowed at most.
    pub longest: Interval,
    /// Who says so.
    pub rule_source: Source,
}

impl RuleSet {
    /// What the rule set says about a clock in a service class.
    pub fn clock(&self, clock: Clock, class: ServiceClass) -> &ClockRule {
        let rules = match clock {
            Clock::Frequent => &self.clocks.frequent,
            Clock::Periodic => &self.clocks.periodic,
        };
        match class {
            ServiceClass::Normal => &rules.normal,
            ServiceClass::Heavy => &rules.heavy,
            ServiceClass::Severe => &rules.severe,
            ServiceClass::Special => &rules.special,
        }
    }

    /// The fixed interval of a clock in a service class; none where a qualified person directs it or where nothing
    /// is fixed. Where [`RuleSet::thorough_examination`] is some, only a thorough examination starts the periodic clock.
    pub fn interval(&self, clock: Clock, class: ServiceClass) -> Option<&IntervalRule> {
        match self.clock(clock, class) {
            ClockRule::Fixed(rule) => Some(rule),
            ClockRule::Directed { .. } | ClockRule::NotFixed { .. } => None,
        }
    }

    /// Whether a yard or model may set this interval: inside the rule set's range, or shorter.
    pub fn allows(
        &self,
        clock: Clock,
        class: ServiceClass,
        asked: Interval,
    ) -> Result<(), Box<IntervalTooLong>> {
        match self.interval(clock, class) {
            Some(rule) if !asked.is_within(rule.longest) => Err(Box::new(IntervalTooLong {
                clock,
                class,
                asked,
                longest: rule.longest,
                rule_source: rule.source.clone(),
            })),
            Some(_) | None => Ok(()),
        }
    }

    /// Whose inspection of this kind is credited.
    pub fn credited_by(&self, kind: InspectionKind) -> &CompetenceRule {
        match kind {
            InspectionKind::Initial => &self.crediting.initial,
            InspectionKind::PreLift => &self.crediting.pre_lift,
            InspectionKind::PostLift => &self.crediting.post_lift,
            InspectionKind::Frequent => &self.crediting.frequent,
            InspectionKind::Periodic => &self.crediting.periodic,
            InspectionKind::AfterRepair => &self.crediting.after_repair,
            InspectionKind::Exceptional => &self.crediting.exceptional,
        }
    }

    /// How far an inspection of this kind goes. The reason matters for exceptional ones only.
    pub fn scope(&self, kind: InspectionKind, reason: Option<ExceptionalReason>) -> Scope {
        let scopes = &self.scopes;
        match kind {
            InspectionKind::Initial => scopes.initial.scope,
            InspectionKind::PreLift => scopes.pre_lift.scope,
            InspectionKind::PostLift => scopes.post_lift.scope,
            InspectionKind::Frequent => scopes.frequent.scope,
            InspectionKind::Periodic => scopes.periodic.scope,
            InspectionKind::AfterRepair => scopes.after_repair.scope,
            InspectionKind::Exceptional if self.must_be_dismantled(reason) => Scope::Dismantled,
            InspectionKind::Exceptional => scopes.exceptional.scope,
        }
    }

    /// Whether an exceptional inspection for this reason demands that the clamp be taken apart and its load-bearing
    /// parts be crack-tested (or the qualified person's written reason for no crack test).
    pub fn must_be_dismantled(&self, reason: Option<ExceptionalReason>) -> bool {
        reason.is_some_and(|reason| self.scopes.exceptional_dismantled.reasons.contains(&reason))
    }

    /// Wear, in percent of nominal, at which a measured criterion rejects where the model gives no limit of its own.
    pub fn wear_limit(&self, criterion: &Criterion) -> Option<&WearLimit> {
        let limits = &self.wear_limits;
        let measured = criterion.measured?;
        Some(match (criterion.component, measured) {
            (Component::Shackle, WearDirection::Shrinkage | WearDirection::Growth) => &limits.shackle,
            (Component::Body, WearDirection::Growth) => &limits.throat_growth,
            (
                Component::Body
                | Component::Identification
                | Component::Pins
                | Component::CamTeeth
                | Component::JawTeeth
                | Component::Linkage
                | Component::Lock
                | Component::Spring
                | Component::Inside
                | Component::Alteration
                | Component::General,
                WearDirection::Shrinkage | WearDirection::Growth,
            ) => &limits.other_parts,
        })
    }

    /// The thorough examination, where the rule set knows it.
    pub fn thorough_examination(&self) -> Option<&ThoroughExamination> {
        self.thorough_examination.as_ref()
    }
}

#[cfg(test)]
mod tests;
