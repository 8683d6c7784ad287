//! What one finding, and an inspection as a whole, come to.
//!
//! A measurement overrules the inspector's tick in the strict direction only. Nothing here knows competences except
//! for one thing: who may give a defect a date (`danger_by`); everybody else's counts as `danger`.

use crate::criteria::{self, Criterion, Scope};
use crate::entry::{Entry, Finding, Inspected};
use crate::measured::{MeasuredVerdict, Measurement, NotJudged, Reading, measure_after};
use crate::quantity::Length;
use crate::reference::{Model, Reference, Yard};
use crate::rule_set::{self, RuleSet};
use crate::words::{CompetenceKind, ExceptionalReason, Grade, InspectionKind, Outcome, RuleSetName};
use jiff::civil::Date;
use std::collections::BTreeMap;

/// What the author of an entry judged by, looked up.
#[derive(Clone, Copy, Debug)]
pub struct Basis<'a> {
    /// The yard's version.
    pub yard: Option<&'a Yard>,
    /// The model's version.
    pub model: Option<&'a Model>,
    /// The rule set's version.
    pub rules: &'static RuleSet,
}

/// Looks up the versions that an entry names. A version that is not known (any more) is never guessed: the current
/// rule set of that name applies, and a criterion without a wear point is judged by look.
pub fn basis<'a>(entry: &Entry, reference: &'a Reference) -> Basis<'a> {
    let by = &entry.judged_by;
    Basis {
        yard: reference
            .yards
            .get(&by.yard_id)
            .and_then(|versions| versions.numbered(by.yard_version))
            .map(|version| version.value.as_ref()),
        model: reference
            .models
            .get(&by.model_id)
            .and_then(|versions| versions.numbered(by.model_version))
            .map(|version| version.value.as_ref()),
        rules: rule_set::rule_set(by.rule_set, by.rule_set_version)
            .unwrap_or_else(|| rule_set::current(by.rule_set)),
    }
}

/// The civil day on which an entry counts, in the zone of the yard it was judged in.
pub fn day_of(entry: &Entry, reference: &Reference) -> Date {
    match basis(entry, reference).yard {
        Some(yard) => yard.time_zone.date_at(entry.counted_at),
        None => crate::calendar::Zone::utc().date_at(entry.counted_at),
    }
}

/// A finding, judged.
#[derive(Clone, Debug, PartialEq)]
pub struct Judged {
    /// The criterion, if the catalogue has it.
    pub criterion: Option<&'static Criterion>,
    /// What was measured, judged.
    pub measurement: Option<Measurement>,
    /// It is in order.
    pub accepted: bool,
    /// It opens a lock-out of this grade.
    pub rejected: Option<Grade>,
    /// Last day of use, for `danger_by`.
    pub by_date: Option<Date>,
    /// A measurement overruled the tick.
    pub overruled: bool,
    /// Noted and trended.
    pub watch: bool,
}

/// Readings of measured criteria, by [`reading_key`].
pub type Readings = BTreeMap<String, Length>;

/// The key of a measured place.
pub fn reading_key(finding: &Finding) -> String {
    format!(
        "{}|{}",
        finding.criterion,
        finding.place.as_deref().unwrap_or_default()
    )
}

/// Judges one finding. `basis` is the entry's, looked up; `last` is the last reading of that place on the same part.
pub fn judge_finding(
    basis: Basis<'_>,
    entry: &Entry,
    inspected: &Inspected,
    finding: &Finding,
    last: Option<Length>,
    reference: &Reference,
) -> Judged {
    let criterion = criteria::criterion(&finding.criterion);
    let measurement = criterion.and_then(|criterion| measurement(criterion, finding, last, basis));
    let fails = measurement
        .as_ref()
        .is_some_and(|measured| measured.verdict.rejects());
    let not_judged = measurement
        .as_ref()
        .is_some_and(|measured| matches!(measured.verdict, MeasuredVerdict::NotJudged(_)));
    let contradicted =
        finding.outcome == Outcome::Accept && matches!(finding.grade, Some(Grade::Danger | Grade::DangerBy));
    let ticked_reject = finding.outcome == Outcome::Reject;
    let mut by_date = None;
    let rejected = if ticked_reject || fails || contradicted {
        by_date = (ticked_reject && !fails)
            .then(|| permitted_by_date(entry, inspected, finding, reference))
            .flatten();
        Some(if by_date.is_some() {
            Grade::DangerBy
        } else {
            Grade::Danger
        })
    } else {
        None
    };
    let switched_off = finding.outcome == Outcome::NotApplicable
        && basis
            .model
            .is_some_and(|model| model.without_criteria.contains(&finding.criterion));
    Judged {
        criterion,
        accepted: rejected.is_none() && !not_judged && (finding.outcome == Outcome::Accept || switched_off),
        rejected,
        by_date,
        overruled: (fails || not_judged) && finding.outcome == Outcome::Accept,
        watch: finding.grade == Some(Grade::Watch) && rejected.is_none(),
        measurement,
    }
}

fn measurement(
    criterion: &Criterion,
    finding: &Finding,
    last: Option<Length>,
    basis: Basis<'_>,
) -> Option<Measurement> {
    let direction = criterion.measured?;
    let measured = finding.measured?;
    // Without a nominal the criterion is judged by look.
    let point = basis
        .model?
        .wear_points
        .iter()
        .find(|point| point.criterion == criterion.code)?;
    let of_rules = basis.rules.wear_limit(criterion).map(|limit| limit.percent);
    let by_maker = point
        .maker_document
        .as_deref()
        .is_some_and(|document| !document.trim().is_empty());
    let reading = Reading {
        nominal: point.nominal,
        // A model may tighten freely, and loosen only with the maker's written figure.
        limit_percent: match (point.limit_percent, of_rules) {
            (Some(own), Some(rule)) if own > rule && !by_maker => rule,
            (own, rule) => own.or(rule)?,
        },
        direction,
        measured,
        uncertainty: finding.uncertainty,
    };
    Some(measure_after(&reading, last))
}

/// A date is accepted only from a qualified person in a thorough examination or interim inspection under
/// `gb-loler`, not before that day and not after the next examination's latest date (LOLER reg. 10(3)(b)).
fn permitted_by_date(
    entry: &Entry,
    inspected: &Inspected,
    finding: &Finding,
    reference: &Reference,
) -> Option<Date> {
    if finding.grade != Some(Grade::DangerBy)
        || entry.judged_by.rule_set != RuleSetName::GbLoler
        || !entry.may_count()
    {
        return None;
    }
    let by_date = finding.by_date?;
    let examination = inspected.basis.is_some() || inspected.inspection_kind == InspectionKind::Frequent;
    let day = day_of(entry, reference);
    let legal = crate::calendar::Interval::Months(6).after(day);
    let latest = inspected
        .next_latest_date
        .map_or(legal, |latest| latest.min(legal));
    let qualified = reference.people.get(&entry.performed_by).is_some_and(|person| {
        person.competent_as_known(CompetenceKind::QualifiedPerson, day, entry.counted_at)
    });
    (examination && qualified && day <= by_date && by_date <= latest).then_some(by_date)
}

/// An inspection, judged.
#[derive(Clone, Debug, PartialEq)]
pub struct JudgedInspection<'a> {
    /// Its findings, in their order.
    pub findings: Vec<(&'a Finding, Judged)>,
    /// Mandatory criteria that have neither `accept` nor `reject`.
    pub missing: Vec<&'static str>,
    /// No finding bars at the time of the inspection.
    pub nothing_bars: bool,
}

impl JudgedInspection<'_> {
    /// Every mandatory criterion has an answer.
    pub fn is_complete(&self) -> bool {
        self.missing.is_empty()
    }
    /// Complete, and nothing bars.
    pub fn is_accepted(&self) -> bool {
        self.is_complete() && self.nothing_bars
    }
    /// Whether it asked a criterion (at a place, if one is named) and accepted it.
    pub fn accepts(&self, criterion: &str, place: Option<&str>) -> bool {
        let mut asked = self
            .findings
            .iter()
            .filter(|(finding, _)| finding.criterion == criterion)
            .filter(|(finding, _)| {
                place.is_none() || finding.place.is_none() || finding.place.as_deref() == place
            })
            .peekable();
        asked.peek().is_some()
            && asked.all(|(finding, judged)| judged.accepted && finding.outcome == Outcome::Accept)
    }
}

/// Judges an inspection as a whole, in the scope that its kind demands.
pub fn judge_inspection<'a>(
    entry: &Entry,
    inspected: &'a Inspected,
    readings: &Readings,
    reference: &Reference,
) -> JudgedInspection<'a> {
    let rules = basis(entry, reference).rules;
    let scope = match rules.scope(inspected.inspection_kind, inspected.exceptional_reason) {
        Scope::Dismantled if inspected.crack_tested == Some(true) => Scope::CrackTest,
        scope => scope,
    };
    let scope = match inspected.exceptional_reason {
        // Out of caution only: the doubted component in frequent scope is enough.
        Some(ExceptionalReason::Precaution) if inspected.inspection_kind == InspectionKind::Exceptional => {
            Scope::Frequent
        }
        _ => scope,
    };
    judge_in_scope(entry, inspected, scope, readings, reference)
}

/// Judges an inspection as if it had been made in this scope.
pub fn judge_in_scope<'a>(
    entry: &Entry,
    inspected: &'a Inspected,
    scope: Scope,
    readings: &Readings,
    reference: &Reference,
) -> JudgedInspection<'a> {
    let basis = basis(entry, reference);
    let findings: Vec<_> = inspected
        .findings
        .iter()
        .map(|finding| {
            let last = finding
                .measured
                .and_then(|_| readings.get(&reading_key(finding)).copied());
            (
                finding,
                judge_finding(basis, entry, inspected, finding, last, reference),
            )
        })
        .collect();
    let missing = criteria::asked(scope, basis.model)
        .filter(|(criterion, mandatory)| *mandatory && !is_answered(&findings, criterion))
        .map(|(criterion, _)| criterion.code.as_str())
        .collect();
    JudgedInspection {
        missing,
        nothing_bars: findings
            .iter()
            .all(|(_, judged)| judged.rejected != Some(Grade::Danger)),
        findings,
    }
}

/// Whether a criterion of the catalogue was asked and has an answer wherever it was.
fn is_answered(findings: &[(&Finding, Judged)], criterion: &Criterion) -> bool {
    let mut asked = findings
        .iter()
        .map(|(_, judged)| judged)
        .filter(|judged| judged.criterion.is_some_and(|of| std::ptr::eq(of, criterion)))
        .peekable();
    asked.peek().is_some() && asked.all(|judged| judged.accepted || judged.rejected.is_some())
}

/// Whether a reading could not be judged, and why.
pub fn not_judged(judged: &Judged) -> Option<NotJudged> {
    match judged.measurement.as_ref()?.verdict {
        MeasuredVerdict::NotJudged(why) => Some(why),
        MeasuredVerdict::Conforming | MeasuredVerdict::NotShownToConform | MeasuredVerdict::Worn => None,
    }
}
