//! What makes a version of a yard or model malformed: every fault, each with a JSON pointer.
//!
//! A yard's intervals may only be tighter than its rule set's; a model may loosen a wear limit only with the maker's
//! written figure. Whether a limit that some rule set finds too loose holds in a yard is decided when a finding is judged.

use super::{Intervals, Model, Yard};
use crate::calendar::Interval;
use crate::criteria::criterion;
use crate::entry::InputError;
use crate::faults::Faults;
use crate::notice::{MAX_DAYS, MAX_LEADS, NoticePolicy};
use crate::quantity::{Length, Mass};
use crate::rule_set::{Clock, RuleSet, all, current};
use crate::words::{RuleSetName, ServiceClass};
use rust_decimal::Decimal;
use std::collections::BTreeSet;

/// Longest code of a yard, in characters.
const MAX_CODE: usize = 32;
/// Longest name, in characters.
const MAX_NAME: usize = 120;
/// Longest reference to a document, in characters.
const MAX_DOCUMENT: usize = 200;
/// The oldest knowledge that any yard may call good enough (our decision).
const MAX_KNOWLEDGE: Interval = Interval::Days(7);

/// Every fault of a yard. Empty: well-formed.
pub fn check_yard(yard: &Yard) -> Vec<InputError> {
    let mut faults = Faults::default();
    let plain = yard
        .code
        .bytes()
        .all(|byte| byte.is_ascii_alphanumeric() || byte == b'-' || byte == b'_');
    let fits = !yard.code.is_empty() && yard.code.len() <= MAX_CODE;
    faults.unless(
        plain && fits,
        "/code",
        "invalid-code",
        "1 to 32 letters, digits, hyphens or underscores",
    );
    faults.name("/name", &yard.name, MAX_NAME);
    intervals(&mut faults, current(yard.rule_set), &yard.intervals);
    faults.unless(
        yard.knowledge_limit.is_within(MAX_KNOWLEDGE),
        "/knowledge_limit",
        "too-long",
        "at most P7D: older knowledge says nothing about a clamp in use",
    );
    faults.at_most("/abnormal_conditions", yard.abnormal_conditions.len());
    notices(&mut faults, &yard.notices);
    faults.0
}

fn notices(faults: &mut Faults, policy: &NoticePolicy) {
    faults.unless(
        policy.due_soon_days.len() <= MAX_LEADS,
        "/notices/due_soon_days",
        "too-many",
        "at most 5",
    );
    for (index, days) in policy.due_soon_days.iter().enumerate() {
        let fits = (1..=MAX_DAYS).contains(days);
        faults.unless(
            fits,
            &format!("/notices/due_soon_days/{index}"),
            "out-of-range",
            "1 to 366 days",
        );
    }
    let others = [
        ("lockout_days", policy.lockout_days),
        ("defect_days", policy.defect_days),
        ("tablet_days", policy.tablet_days),
        ("competence_days", policy.competence_days),
    ];
    for (name, days) in others {
        let fits = (1..=MAX_DAYS).contains(&days);
        faults.unless(fits, &format!("/notices/{name}"), "out-of-range", "1 to 366 days");
    }
}

fn intervals(faults: &mut Faults, rules: &RuleSet, set: &Intervals) {
    for (clock, asked) in [(Clock::Frequent, &set.frequent), (Clock::Periodic, &set.periodic)] {
        for (class, interval) in asked {
            if let Err(too_long) = rules.allows(clock, *class, *interval) {
                faults.add(
                    format!("/intervals/{clock}/{class}"),
                    "interval-too-long",
                    too_long.to_string(),
                );
            }
        }
    }
}

/// What speaks against moving a yard from one rule set to another: never to one with a longer legal interval.
pub fn check_rule_set_change(from: RuleSetName, to: RuleSetName) -> Option<InputError> {
    let (old, new) = (current(from), current(to));
    let longer = ServiceClass::ALL
        .iter()
        .find(|class| match (legal(old, **class), legal(new, **class)) {
            (Some(before), Some(after)) => !after.is_within(before),
            (Some(_), None) => true,
            (None, Some(_) | None) => false,
        })?;
    Some(InputError {
        pointer: "/rule_set".to_owned(),
        code: "interval-too-long",
        detail: format!(
            "{to} has a longer legal interval than {from} for class {longer}: a yard never moves to a milder one"
        ),
    })
}

fn legal(rules: &RuleSet, class: ServiceClass) -> Option<Interval> {
    let examination = rules
        .thorough_examination()
        .map(|examination| examination.interval);
    examination.or_else(|| rules.interval(Clock::Periodic, class).map(|rule| rule.longest))
}

/// Every fault of a model. Empty: well-formed.
pub fn check_model(model: &Model) -> Vec<InputError> {
    let mut faults = Faults::default();
    faults.name("/maker", &model.maker, MAX_NAME);
    faults.name("/model", &model.model, MAX_NAME);
    faults.unless(
        is_some_mass(&model.wll),
        "/wll",
        "out-of-range",
        "more than nothing",
    );
    let jaw = &model.jaw_opening;
    faults.unless(
        jaw.is_ordered() && is_some_length(&jaw.max),
        "/jaw_opening",
        "out-of-order",
        "min ≤ max, max above 0",
    );
    if let Some(percent) = model.minimum_load_percent {
        percentage(&mut faults, "/minimum_load_percent", percent);
    }
    if let Some(range) = &model.temperature {
        faults.unless(range.is_ordered(), "/temperature", "out-of-order", "min ≤ max");
    }
    faults.unless(
        model
            .hardness_limit_hb
            .is_none_or(|limit| (50..=1000).contains(&limit)),
        "/hardness_limit_hb",
        "out-of-range",
        "50 to 1000 HB",
    );
    faults.at_most("/without_criteria", model.without_criteria.len());
    for (index, code) in model.without_criteria.iter().enumerate() {
        if criterion(code).is_none() {
            faults.add(
                format!("/without_criteria/{index}"),
                "unknown-criterion",
                format!("{code:?} is no criterion"),
            );
        }
    }
    wear_points(&mut faults, model);
    faults.at_most("/lift_ratings", model.lift_ratings.len());
    for (index, rating) in model.lift_ratings.iter().enumerate() {
        let fits = is_some_mass(&rating.wll) && rating.wll <= model.wll;
        faults.unless(
            fits,
            &format!("/lift_ratings/{index}/wll"),
            "out-of-range",
            "above 0, at most the model's WLL",
        );
        let angle = rating
            .angle_from_horizontal
            .is_none_or(|angle| angle.degrees() <= Decimal::from(90));
        let pointer = format!("/lift_ratings/{index}/angle_from_horizontal");
        faults.unless(angle, &pointer, "out-of-range", "at most 90 degrees");
    }
    faults.0
}

fn wear_points(faults: &mut Faults, model: &Model) {
    faults.at_most("/wear_points", model.wear_points.len());
    let mut seen = BTreeSet::new();
    for (index, point) in model.wear_points.iter().enumerate() {
        let here = |field: &str| format!("/wear_points/{index}/{field}");
        let known = criterion(&point.criterion);
        if known.is_none_or(|criterion| criterion.measured.is_none()) {
            faults.add(
                here("criterion"),
                "unknown-criterion",
                format!("{:?} is no measured criterion", point.criterion),
            );
        }
        if !seen.insert(point.criterion.as_str()) {
            faults.add(here("criterion"), "given-twice", "one wear point per criterion");
        }
        faults.unless(
            is_some_length(&point.nominal),
            &here("nominal"),
            "out-of-range",
            "more than nothing",
        );
        if let Some(document) = &point.maker_document {
            faults.name(&here("maker_document"), document, MAX_DOCUMENT);
        }
        if let Some(limit) = point.limit_percent {
            percentage(faults, &here("limit_percent"), limit);
            if point.maker_document.is_none()
                && loosest(&point.criterion).is_some_and(|loosest| limit > loosest)
            {
                let detail =
                    "looser than every rule set allows: name the maker's written figure in maker_document";
                faults.add(here("limit_percent"), "maker-document-missing", detail);
            }
        }
    }
}

/// The loosest wear limit that any rule set has for a criterion.
fn loosest(code: &str) -> Option<Decimal> {
    let criterion = criterion(code)?;
    all()
        .iter()
        .filter_map(|rules| rules.wear_limit(criterion))
        .map(|limit| limit.percent)
        .max()
}

/// Where a version says what only a named qualified person may say: that the design lacks a part that is asked about,
/// or that a limit is looser than some rule set's.
pub fn needs_qualified_person(model: &Model) -> Vec<String> {
    let mut pointers = Vec::new();
    if !model.without_criteria.is_empty() {
        pointers.push("/without_criteria".to_owned());
    }
    for (index, point) in model.wear_points.iter().enumerate() {
        let strictest = criterion(&point.criterion).and_then(|criterion| {
            all()
                .iter()
                .filter_map(|rules| rules.wear_limit(criterion))
                .map(|limit| limit.percent)
                .min()
        });
        let looser = point
            .limit_percent
            .zip(strictest)
            .is_some_and(|(limit, strictest)| limit > strictest);
        if looser && point.maker_document.is_some() {
            pointers.push(format!("/wear_points/{index}/limit_percent"));
        }
    }
    pointers
}

fn percentage(faults: &mut Faults, pointer: &str, percent: Decimal) {
    let inside = percent > Decimal::ZERO && percent <= Decimal::ONE_HUNDRED && percent.scale() <= 4;
    faults.unless(
        inside,
        pointer,
        "out-of-range",
        "above 0, at most 100, at most four decimals",
    );
}
fn is_some_mass(mass: &Mass) -> bool {
    mass.kilograms() > Decimal::ZERO
}
fn is_some_length(length: &Length) -> bool {
    length.millimetres() > Decimal::ZERO
}

#[cfg(test)]
mod tests;
