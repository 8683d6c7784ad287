//! What makes a bulletin malformed: every fault, each with a JSON pointer.

use super::{Bulletin, BulletinClass, BulletinScope, Serials};
use crate::criteria::criterion;
use crate::entry::InputError;
use crate::faults::Faults;
use crate::mark::{check_mark, exact_key};
use crate::reference::Reference;
use jiff::civil::Date;

/// Longest number, title or name of an issuer, in characters.
const MAX_NAME: usize = 120;
/// Longest text, in characters.
const MAX_TEXT: usize = 4000;
/// Most models, ranges or patterns.
const MAX_ITEMS: usize = 100;
/// Most single numbers.
const MAX_NUMBERS: usize = 1000;

/// Every fault of a bulletin that is opened on a day. Empty: well-formed.
pub fn check_bulletin(bulletin: &Bulletin, reference: &Reference, today: Date) -> Vec<InputError> {
    let mut faults = Faults::default();
    faults.name("/code", &bulletin.code, MAX_NAME);
    faults.name("/title", &bulletin.title, MAX_NAME);
    faults.name("/issued_by", &bulletin.issued_by, MAX_NAME);
    text(&mut faults, "/text", &bulletin.text);
    // A day later than here: it may have begun elsewhere.
    let latest = today.tomorrow().unwrap_or(today);
    faults.unless(
        bulletin.issued_on <= latest,
        "/issued_on",
        "in-the-future",
        "a bulletin is opened after it was issued",
    );
    scope(&mut faults, &bulletin.scope, reference);
    checks(&mut faults, bulletin);
    if let Some(remedy) = &bulletin.remedy {
        text(&mut faults, "/remedy/text", &remedy.text);
        faults.unless(
            !remedy.components.is_empty(),
            "/remedy/components",
            "empty",
            "name the components that the repair has to work on",
        );
        faults.unless(
            bulletin.class == BulletinClass::StopUse,
            "/remedy",
            "not-allowed",
            "only a stop of use asks for a remedy",
        );
    }
    faults.0
}

fn text(faults: &mut Faults, pointer: &str, text: &str) {
    let length = text.chars().count();
    let plain = text
        .chars()
        .all(|character| character == '\n' || !character.is_control());
    faults.unless(
        !text.trim().is_empty() && length <= MAX_TEXT && plain,
        pointer,
        "invalid-text",
        "1 to 4000 characters, with no control characters but line feeds",
    );
}

fn checks(faults: &mut Faults, bulletin: &Bulletin) {
    faults.at_most("/checks", bulletin.checks.len());
    for (index, code) in bulletin.checks.iter().enumerate() {
        let pointer = format!("/checks/{index}");
        faults.unless(
            criterion(code).is_some(),
            &pointer,
            "unknown-criterion",
            "the criteria are listed at /v1/criteria",
        );
        let twice = bulletin.checks.iter().take(index).any(|earlier| earlier == code);
        faults.unless(!twice, &pointer, "given-twice", "each criterion once");
    }
    match bulletin.class {
        BulletinClass::Information => faults.unless(
            bulletin.checks.is_empty(),
            "/checks",
            "not-allowed",
            "information asks for no inspection",
        ),
        BulletinClass::StopUse | BulletinClass::InspectBeforeUse => faults.unless(
            !bulletin.checks.is_empty(),
            "/checks",
            "empty",
            "name the criteria that an inspection has to ask and accept",
        ),
    }
}

fn scope(faults: &mut Faults, scope: &BulletinScope, reference: &Reference) {
    faults.unless(
        scope.maker.is_some() || !scope.models.is_empty(),
        "/scope",
        "empty",
        "name a maker or models",
    );
    if let Some(maker) = &scope.maker {
        faults.name("/scope/maker", maker, MAX_NAME);
        let known = reference
            .models
            .values()
            .flat_map(|versions| &versions.0)
            .any(|version| exact_key(&version.value.maker) == exact_key(maker));
        faults.unless(
            known || !scope.models.is_empty(),
            "/scope/maker",
            "unknown-maker",
            "no model of this maker is recorded: with a slip in its name the bulletin would hold nothing",
        );
    }
    faults.at_most("/scope/models", scope.models.len());
    for (index, id) in scope.models.iter().enumerate() {
        let pointer = format!("/scope/models/{index}");
        let Some(versions) = reference.models.get(id) else {
            faults.add(pointer, "unknown-model", "there is no such model");
            continue;
        };
        let maker = scope.maker.as_deref().map(exact_key);
        let fits = maker.is_none_or(|maker| {
            let mut makers = versions.0.iter().map(|version| exact_key(&version.value.maker));
            makers.any(|of_model| of_model == maker)
        });
        faults.unless(fits, &pointer, "other-maker", "the model is another maker's");
    }
    if let Some(serials) = &scope.serials {
        numbers(faults, serials);
    }
    if let (Some(first), Some(last)) = (scope.manufactured_from, scope.manufactured_until) {
        faults.unless(
            first <= last,
            "/scope/manufactured_until",
            "out-of-order",
            "manufactured_from ≤ manufactured_until",
        );
    }
}

fn numbers(faults: &mut Faults, serials: &Serials) {
    faults.unless(
        !serials.is_empty(),
        "/scope/serials",
        "empty",
        "name ranges, numbers or patterns, or leave serials out: every number",
    );
    faults.unless(
        serials.ranges.len() <= MAX_ITEMS,
        "/scope/serials/ranges",
        "too-many",
        "at most 100",
    );
    for (index, range) in serials.ranges.iter().enumerate() {
        let pointer = format!("/scope/serials/ranges/{index}");
        let marks = check_mark(&range.first).and(check_mark(&range.last));
        if let Err(fault) = marks {
            faults.add(pointer, "invalid-serial-number", fault.to_string());
        } else {
            faults.unless(
                range.counted(exact_key).is_some(),
                &pointer,
                "invalid-range",
                "first and last differ in one group of digits, as long in both, and first is not after last",
            );
        }
    }
    faults.unless(
        serials.numbers.len() <= MAX_NUMBERS,
        "/scope/serials/numbers",
        "too-many",
        "at most 1000",
    );
    for (index, number) in serials.numbers.iter().enumerate() {
        if let Err(fault) = check_mark(number) {
            let pointer = format!("/scope/serials/numbers/{index}");
            faults.add(pointer, "invalid-serial-number", fault.to_string());
        }
    }
    faults.unless(
        serials.patterns.len() <= MAX_ITEMS,
        "/scope/serials/patterns",
        "too-many",
        "at most 100",
    );
    for (index, pattern) in serials.patterns.iter().enumerate() {
        let pointer = format!("/scope/serials/patterns/{index}");
        match check_mark(pattern) {
            Err(fault) => faults.add(pointer, "invalid-serial-number", fault.to_string()),
            Ok(()) => faults.unless(
                exact_key(pattern)
                    .chars()
                    .any(|sign| !matches!(sign, '*' | '?' | '#')),
                &pointer,
                "invalid-pattern",
                "a pattern names at least one character",
            ),
        }
    }
}
