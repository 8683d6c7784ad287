//! What is due: the clocks of a clamp in one yard and class, and what stands against it besides lock-outs.

use super::{Reason, reason};
use crate::fold::ClampState;
use crate::lockout::opens::exceeds_percent;
use crate::rule_set::Clock;
use crate::schedule::{Due, DueDate, FirstUse, Terms, first_use};
use crate::words::{FitnessReason, RuleSetName, ServiceClass};
use jiff::Timestamp;
use jiff::civil::Date;

/// The clocks of a clamp in one yard and class.
pub(super) struct Clocks<'a> {
    pub(super) state: &'a ClampState,
    pub(super) terms: Terms<'a>,
    pub(super) at: Timestamp,
    pub(super) reasons: &'a mut Vec<Reason>,
    pub(super) ends: &'a mut Vec<Timestamp>,
    pub(super) awaiting: bool,
}

impl Clocks<'_> {
    pub(super) fn run(&mut self) -> Due {
        let due = if self.terms.yard.rule_set == RuleSetName::GbLoler {
            self.thorough()
        } else {
            self.periodic()
        };
        self.each_use();
        self.idle();
        self.custom_design();
        due
    }

    /// A custom design is proof-tested before its first use, where the rule set says so (OSHA 29 CFR 1926.251(a)(4)).
    fn custom_design(&mut self) {
        let proof_test = &self.terms.rules.proof_test;
        let custom = self.terms.model.filter(|model| model.custom_design);
        let (Some(model), Some(demand)) = (custom, &proof_test.custom_design) else {
            return;
        };
        let wll = self.state.proven_wll().unwrap_or(model.wll);
        let proven = self.state.proof_test.is_some_and(|test| {
            test.at <= self.at
                && !exceeds_percent(wll, test.load, proof_test.rated_at_most_percent_of_test_load)
        });
        if !proven {
            self.wait("Custom design: not proof-tested at 125 % of its WLL before first use.");
            if let Some(reason) = self.reasons.last_mut() {
                reason.source = Some(demand.before_first_use.clone());
            }
        }
    }

    fn periodic(&mut self) -> Due {
        let clocks = &self.state.clocks;
        if clocks.first.is_none_or(|first| self.at < first) {
            self.wait("Not inspected before first use: have a qualified person make the initial inspection.");
        }
        if self.terms.direction_missing() {
            self.reasons.push(reason(
                FitnessReason::DirectionMissing,
                "Special service without a qualified person's direction: have the intervals set.".to_owned(),
                None,
            ));
        }
        let periodic = clocks
            .periodic
            .as_ref()
            .and_then(|anchor| self.terms.due(Clock::Periodic, anchor));
        let frequent = clocks
            .frequent
            .as_ref()
            .and_then(|anchor| self.terms.due(Clock::Frequent, anchor));
        self.judge(
            periodic.as_ref(),
            FitnessReason::PeriodicOverdue,
            "Periodic inspection",
        );
        self.judge(
            frequent.as_ref(),
            FitnessReason::FrequentOverdue,
            "Frequent inspection",
        );
        Due { frequent, periodic }
    }

    fn thorough(&mut self) -> Due {
        let periodic = match &self.state.clocks.thorough {
            Some(anchor) => self.terms.thorough_due(anchor),
            None => {
                match first_use(self.state, &self.terms, self.at) {
                    FirstUse::PutIntoService(due) => Some(due),
                    FirstUse::NotYet { ends_at, .. } => {
                        self.ends.push(ends_at);
                        None
                    }
                    FirstUse::NotExempt => {
                        self.wait("No thorough examination is known and it is not exempt: have it thoroughly examined.");
                        None
                    }
                }
            }
        };
        self.judge(
            periodic.as_ref(),
            FitnessReason::PeriodicOverdue,
            "Thorough examination",
        );
        let frequent = self
            .state
            .clocks
            .frequent
            .as_ref()
            .and_then(|anchor| self.terms.due(Clock::Frequent, anchor));
        self.judge(
            frequent.as_ref(),
            FitnessReason::FrequentOverdue,
            "Interim inspection",
        );
        Due { frequent, periodic }
    }

    fn wait(&mut self, detail: &str) {
        self.awaiting = true;
        self.reasons.push(reason(
            FitnessReason::AwaitingInitialInspection,
            detail.to_owned(),
            None,
        ));
    }

    fn judge(&mut self, due: Option<&DueDate>, code: FitnessReason, what: &str) {
        let Some(due) = due else { return };
        if self.at < due.ends_at {
            self.ends.push(due.ends_at);
            return;
        }
        let detail = match due.on {
            Some(on) => format!("{what} was due on {on}: have it inspected before use."),
            None => format!("{what} was due by {}: have it inspected before use.", due.ends_at),
        };
        self.reasons.push(Reason {
            code,
            detail,
            since: Some(due.ends_at),
            lockout_id: None,
            due: due.on,
            source: Some(due.source.clone()),
        });
    }

    /// Special service with an inspection for each use: one since the last use, and not older than it may be.
    fn each_use(&mut self) {
        let Some(within) = self.terms.each_use() else {
            return;
        };
        let Some(anchor) = &self.state.clocks.frequent else {
            return;
        };
        let (_, ends_at) = within.end(anchor.at, &self.terms.yard.time_zone);
        let since_use = self.state.uses.last_at.is_none_or(|used| anchor.at > used);
        if since_use && self.at < ends_at {
            self.ends.push(ends_at);
        } else {
            self.reasons.push(reason(
                FitnessReason::FrequentOverdue,
                "Each use needs an inspection since the last use, within 24 hours before it.".to_owned(),
                None,
            ));
        }
    }

    /// Not in regular use: a gap of a month needs a frequent inspection before use, one of a year a periodic one.
    fn idle(&mut self) {
        let applies = self.terms.yard.records_use || self.terms.service_class == ServiceClass::Special;
        let Some(rule) = self.terms.rules.idle.as_ref().filter(|_| applies) else {
            return;
        };
        let zone = &self.terms.yard.time_zone;
        let today = zone.date_at(self.at);
        let uses = &self.state.uses;
        let frequent = self.state.clocks.frequent.as_ref().map(|anchor| anchor.on);
        let periodic = self.state.clocks.periodic.as_ref().map(|anchor| anchor.on);
        let open = |gap: Option<Date>, inspected: Option<Date>| {
            gap.filter(|reached| inspected.is_none_or(|on| on < *reached))
        };
        let month = open(uses.latest_gap(rule.frequent_from, today), frequent);
        let year = open(uses.latest_gap(rule.periodic_from, today), periodic);
        if let Some(reached) = year.or(month) {
            let kind = if year.is_some() { "periodic" } else { "frequent" };
            self.reasons.push(Reason {
                code: FitnessReason::IdleTooLong,
                detail: format!("Not in regular use: a {kind} inspection is due before use since {reached}."),
                since: Some(zone.start_of(reached)),
                lockout_id: None,
                due: Some(reached),
                source: Some(rule.source.clone()),
            });
        } else {
            let coming = [rule.frequent_from, rule.periodic_from]
                .into_iter()
                .filter_map(|length| uses.next_gap(length))
                .filter(|day| *day > today)
                .map(|day| zone.start_of(day));
            self.ends.extend(coming.min());
        }
    }
}
