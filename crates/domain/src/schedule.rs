//! When inspections fall due.
//!
//! Every due date is computed from the anchor (the credited inspection), in the yard's zone, as the earliest of the
//! rule set's, the yard's, the maker's and the examiner's; the answer names which one won.

use crate::calendar::{Interval, Zone};
use crate::entry::Direction;
use crate::fold::{Anchor, ClampState};
use crate::reference::{Intervals, Model, Yard};
use crate::rule_set::{Clock, ClockRule, RuleSet};
use crate::source::{Certainty, Source};
use crate::words::ServiceClass;
use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

/// Whose rule a due date follows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum DueRule {
    /// The rule set's interval.
    RuleSet,
    /// The yard's own interval.
    Yard,
    /// The maker's interval for the model.
    Maker,
    /// A scheme of examination.
    Scheme,
    /// The examiner's own latest date.
    Examiner,
    /// A qualified person's direction for special service.
    Direction,
    /// Six months from the day on which a new clamp was put into service.
    FirstUse,
}

/// When an inspection is due.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct DueDate {
    /// The last day of fitness, if it is counted in days.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub on: Option<Date>,
    /// The first instant at which it is overdue.
    pub ends_at: Timestamp,
    /// Whose rule won.
    pub rule: DueRule,
    /// The interval, if it follows from one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub interval: Option<Interval>,
    /// Its source.
    pub source: Source,
}

/// Due dates of a clamp.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Due {
    /// Frequent inspection (GB: interim).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub frequent: Option<DueDate>,
    /// Periodic inspection (GB: thorough examination).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub periodic: Option<DueDate>,
}

const YARD_RULE: Source = Source::fixed("the yard's own interval", Certainty::Practice);
const MAKER_RULE: Source = Source::fixed("the maker's interval for this model", Certainty::Practice);
const DIRECTED: Source = Source::fixed(
    "a qualified person's direction for special service",
    Certainty::Practice,
);
const EXAMINER: Source = Source::fixed(
    "LOLER 1998, Schedule 1 para 8(d): the examiner's latest date",
    Certainty::Secondary,
);
const FIRST_USE: Source = Source::fixed(
    "first thorough examination six months after putting into service",
    Certainty::Practice,
);

/// What the due dates of a clamp are reckoned by.
#[derive(Clone, Copy, Debug)]
pub struct Terms<'a> {
    /// The yard.
    pub yard: &'a Yard,
    /// The model.
    pub model: Option<&'a Model>,
    /// The rule set.
    pub rules: &'static RuleSet,
    /// The service class.
    pub service_class: ServiceClass,
    /// The direction, for class special.
    pub direction: Option<&'a Direction>,
}

/// An interval that applies, and whose it is.
struct Applies {
    interval: Interval,
    rule: DueRule,
    source: Source,
}

impl Terms<'_> {
    /// The due date on one clock from its anchor. `None`: this clock does not run here.
    pub fn due(&self, clock: Clock, anchor: &Anchor) -> Option<DueDate> {
        self.intervals(clock)
            .into_iter()
            .map(|applies| due(anchor, applies, &self.yard.time_zone))
            .min_by_key(|due| due.ends_at)
    }

    fn intervals(&self, clock: Clock) -> Vec<Applies> {
        let set = |intervals: &Intervals| match clock {
            Clock::Frequent => intervals.frequent.get(&self.service_class).copied(),
            Clock::Periodic => intervals.periodic.get(&self.service_class).copied(),
        };
        let maker = self
            .model
            .and_then(|model| model.inspection_intervals.as_ref())
            .and_then(set)
            .map(|interval| Applies {
                interval,
                rule: DueRule::Maker,
                source: MAKER_RULE,
            });
        let yard = set(&self.yard.intervals).map(|interval| Applies {
            interval,
            rule: DueRule::Yard,
            source: YARD_RULE,
        });
        let of_rules = match self.rules.clock(clock, self.service_class) {
            // The yard picks inside the range of the rule set; outside it only shorter ones were ever accepted.
            ClockRule::Fixed(rule) => match yard {
                Some(yard) if yard.interval.is_within(rule.longest) => Some(yard),
                Some(_) | None => Some(Applies {
                    interval: rule.default,
                    rule: DueRule::RuleSet,
                    source: rule.source.clone(),
                }),
            },
            ClockRule::Directed { .. } => {
                let directed = self.directed(clock).map(|interval| Applies {
                    interval,
                    rule: DueRule::Direction,
                    source: DIRECTED,
                });
                return directed.into_iter().chain(yard).chain(maker).collect();
            }
            ClockRule::NotFixed { .. } => yard,
        };
        of_rules.into_iter().chain(maker).collect()
    }

    fn directed(&self, clock: Clock) -> Option<Interval> {
        let direction = self.direction?;
        match clock {
            Clock::Frequent => direction.frequent,
            Clock::Periodic => direction.periodic,
        }
    }

    /// Whether special service lacks a qualified person's direction: both intervals, or inspection for each use.
    pub fn direction_missing(&self) -> bool {
        let directed = matches!(
            self.rules.clock(Clock::Periodic, self.service_class),
            ClockRule::Directed { .. }
        );
        directed
            && !self.direction.is_some_and(|direction| {
                direction.each_use == Some(true)
                    || (direction.frequent.is_some() && direction.periodic.is_some())
            })
    }

    /// The time within which an inspection counts for one use, if each use needs one.
    pub fn each_use(&self) -> Option<Interval> {
        match self.rules.clock(Clock::Frequent, self.service_class) {
            ClockRule::Directed { each_use_within, .. } => self
                .direction
                .is_some_and(|direction| direction.each_use == Some(true))
                .then_some(*each_use_within),
            ClockRule::Fixed(_) | ClockRule::NotFixed { .. } => None,
        }
    }

    /// The due date of the next thorough examination: the earliest of the legal date, the examiner's own, the maker's
    /// and the company's.
    pub fn thorough_due(&self, anchor: &Anchor) -> Option<DueDate> {
        let rule = self.rules.thorough_examination()?;
        let zone = &self.yard.time_zone;
        let legal = match anchor.scheme {
            Some(interval) => Applies {
                interval,
                rule: DueRule::Scheme,
                source: rule.scheme.source.clone(),
            },
            None => Applies {
                interval: rule.interval,
                rule: DueRule::RuleSet,
                source: rule.source.clone(),
            },
        };
        let examiner = anchor.next_latest.map(|on| DueDate {
            on: Some(on),
            ends_at: zone.end_of(on),
            rule: DueRule::Examiner,
            interval: None,
            source: EXAMINER,
        });
        // The company's and the maker's own intervals; the legal one is the rule set's or the scheme's.
        self.intervals(Clock::Periodic)
            .into_iter()
            .filter(|applies| applies.rule != DueRule::RuleSet)
            .chain([legal])
            .map(|applies| due(anchor, applies, zone))
            .chain(examiner)
            .min_by_key(|due| due.ends_at)
    }
}

fn due(anchor: &Anchor, applies: Applies, zone: &Zone) -> DueDate {
    // Days and months are counted from the day examined, which is a day of the yard where it was examined.
    let (on, ends_at) = match applies.interval {
        Interval::Hours(_) => applies.interval.end(anchor.at, zone),
        Interval::Days(_) | Interval::Months(_) => {
            let on = applies.interval.after(anchor.on);
            (Some(on), zone.end_of(on))
        }
    };
    DueDate {
        on,
        ends_at,
        rule: applies.rule,
        interval: Some(applies.interval),
        source: applies.source,
    }
}

/// How a clamp that was never thoroughly examined stands under `gb-loler`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FirstUse {
    /// Not exempt: it needs a thorough examination first.
    NotExempt,
    /// Exempt, and put into service: due six months later.
    PutIntoService(DueDate),
    /// Exempt if put into service by the end of this day; judged again each day.
    NotYet {
        /// The last such day.
        last: Date,
        /// The first instant after it.
        ends_at: Timestamp,
    },
}

/// The exemption of a new clamp (LOLER 1998 reg. 9(1)): never used before, stated by name, and put into service at
/// most twelve months after the day of its declaration of conformity.
pub fn first_use(state: &ClampState, terms: &Terms<'_>, at: Timestamp) -> FirstUse {
    let Some(rule) = terms.rules.thorough_examination() else {
        return FirstUse::NotExempt;
    };
    let Some(declaration) = state.declaration().filter(|_| state.is_shown_as_never_used()) else {
        return FirstUse::NotExempt;
    };
    let zone = &terms.yard.time_zone;
    let last = rule
        .first_use_exemption
        .declaration_within
        .after(declaration.made_on);
    let earliest = |seen: [Option<Timestamp>; 2], entered: Option<Date>| {
        let seen = seen.into_iter().flatten().map(|at| zone.date_at(at));
        seen.chain(entered).min()
    };
    // An earlier day brings the examination forward, whoever claims it; the exemption itself rests on what was shown.
    let claimed = earliest(
        [state.first_issued_at, state.uses.first_at],
        state.put_into_service_on(),
    );
    let shown = earliest([state.first_seen_at, None], state.shown_put_into_service_on());
    let due = |put: Date, no_later_than: Date| {
        let on = rule.interval.after(put).min(no_later_than);
        FirstUse::PutIntoService(DueDate {
            on: Some(on),
            ends_at: zone.end_of(on),
            rule: DueRule::FirstUse,
            interval: Some(rule.interval),
            source: FIRST_USE,
        })
    };
    match (shown, claimed) {
        (Some(shown), claimed) if shown <= last => due(claimed.unwrap_or(shown), Date::MAX),
        (Some(_), _) => FirstUse::NotExempt,
        (None, Some(claimed)) => due(claimed, last),
        (None, None) if zone.date_at(at) <= last => FirstUse::NotYet {
            last,
            ends_at: zone.end_of(last),
        },
        (None, None) => FirstUse::NotExempt,
    }
}
