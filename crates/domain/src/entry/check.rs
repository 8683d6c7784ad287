//! What makes an entry malformed, before anything is judged: every fault, each with a JSON pointer into the body.
//!
//! Only what can be seen from the entry alone. A fault here means a slip in the sending program or of a finger;
//! what the trade's rules say against an entry is judged elsewhere, and never refuses what restricts.

use super::bodies::*;
use crate::faults::Faults;
use crate::mark;
use crate::photo::PhotoDigest;
use crate::quantity::Mass;
use crate::words::{AmendmentField, Grade, Outcome};
use jiff::civil::{Date, date};
use jiff::{SignedDuration, Timestamp};
use serde::Serialize;
use std::collections::BTreeSet;
use std::fmt::{self, Display};

/// A fault in the input.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct InputError {
    /// JSON pointer (RFC 6901) into the body.
    pub pointer: String,
    /// Stable code.
    pub code: &'static str,
    /// What to do.
    pub detail: String,
}

/// Longest note, reason, statement or description of work, in characters.
pub const MAX_TEXT: usize = 4_000;
/// Longest name, number or document reference, in characters.
pub const MAX_NAME: usize = 200;
/// Most findings in an inspection.
pub const MAX_FINDINGS: usize = 300;
/// Most items of any other list.
pub const MAX_ITEMS: usize = 100;
/// Most lifts in one entry of use.
pub const MAX_LIFTS: u32 = 100_000;

/// The longest period of use in one entry: a quarter.
const LONGEST_USE: SignedDuration = SignedDuration::from_hours(92 * 24);
/// The earliest and latest day that any entry may name.
const DAYS: (Date, Date) = (date(1900, 1, 1), date(2199, 12, 31));

impl Faults {
    fn text(&mut self, pointer: impl Display, text: &str, longest: usize, required: bool) {
        if required && text.trim().is_empty() {
            self.add(&pointer, "empty", "must not be empty");
        }
        if text.chars().count() > longest {
            self.add(&pointer, "too-long", format!("at most {longest} characters"));
        }
        if text
            .chars()
            .any(|character| character.is_control() && !matches!(character, '\n' | '\r' | '\t'))
        {
            self.add(&pointer, "control-character", "must not hold control characters");
        }
    }
    fn optional(&mut self, pointer: impl Display, text: Option<&String>, longest: usize) {
        if let Some(text) = text {
            self.text(pointer, text, longest, true);
        }
    }
    fn day(&mut self, pointer: impl Display, day: Option<Date>) {
        if day.is_some_and(|day| day < DAYS.0 || DAYS.1 < day) {
            self.add(
                pointer,
                "out-of-range",
                format!("a day from {} to {}", DAYS.0, DAYS.1),
            );
        }
    }
    fn count(&mut self, pointer: impl Display, length: usize, most: usize) {
        if length > most {
            self.add(pointer, "too-many", format!("at most {most}"));
        }
    }
    fn unique<T: Ord>(&mut self, pointer: &str, items: impl Iterator<Item = T>) {
        let mut seen = BTreeSet::new();
        for (index, item) in items.enumerate() {
            if !seen.insert(item) {
                self.add(format!("{pointer}/{index}"), "repeated", "is given twice");
            }
        }
    }
    fn photos(&mut self, pointer: impl Display, photos: &[String]) {
        self.count(&pointer, photos.len(), MAX_ITEMS);
        for (index, photo) in photos.iter().enumerate() {
            if let Err(error) = photo.parse::<PhotoDigest>() {
                self.add(format!("{pointer}/{index}"), "not-sha256", error.to_string());
            }
        }
    }
}

/// Every fault of an entry's told time and body. Empty: well-formed.
pub fn check_body(performed_at: Timestamp, body: &Body) -> Vec<InputError> {
    let mut faults = Faults::default();
    let day = crate::calendar::Zone::utc().date_at(performed_at);
    if day < DAYS.0 || DAYS.1 < day {
        faults.add(
            "/performed_at",
            "out-of-range",
            format!("a time from {} to {}", DAYS.0, DAYS.1),
        );
    }
    match body {
        Body::Registered(body) => registered(body, &mut faults),
        Body::Inspected(body) => inspected(body, &mut faults),
        Body::TaggedOut(body) => {
            faults.optional("/note", body.note.as_ref(), MAX_TEXT);
            faults.photos("/photos", &body.photos);
        }
        Body::Repaired(body) => repaired(body, &mut faults),
        Body::ProofTested(body) => {
            if body.load.value().is_zero() {
                faults.add("/load", "out-of-range", "a proof test has a load");
            }
            faults.optional("/certificate_number", body.certificate_number.as_ref(), MAX_NAME);
            faults.optional("/document", body.document.as_ref(), MAX_NAME);
            faults.optional("/maker_document", body.maker_document.as_ref(), MAX_NAME);
        }
        Body::ReturnedToService(body) => {
            if body.releases.is_empty() {
                faults.add("/releases", "empty", "name every lock-out that the return closes");
            }
            faults.count("/releases", body.releases.len(), MAX_ITEMS);
            faults.unique(
                "/releases",
                body.releases.iter().map(|release| release.lockout_id),
            );
            for (index, release) in body.releases.iter().enumerate() {
                faults.optional(
                    format!("/releases/{index}/statement"),
                    release.statement.as_ref(),
                    MAX_TEXT,
                );
                faults.optional(
                    format!("/releases/{index}/maker_document"),
                    release.maker_document.as_ref(),
                    MAX_NAME,
                );
            }
        }
        Body::Transferred(body) => faults.optional("/note", body.note.as_ref(), MAX_TEXT),
        Body::Issued(body) => faults.optional("/issued_to_name", body.issued_to_name.as_ref(), MAX_NAME),
        Body::Received(body) => faults.optional("/note", body.note.as_ref(), MAX_TEXT),
        Body::Classified(body) => {
            if let Some(direction) = &body.direction {
                self::direction("/direction", direction, &mut faults);
            }
        }
        Body::Amended(body) => amended(body, &mut faults),
        Body::Used(body) => {
            if body.from > performed_at {
                faults.add(
                    "/from",
                    "out-of-order",
                    "the period begins before `performed_at`, its end",
                );
            }
            let began = crate::calendar::Zone::utc().date_at(body.from);
            let too_long = performed_at.duration_since(body.from) > LONGEST_USE;
            if too_long || began < DAYS.0 || DAYS.1 < began {
                faults.add(
                    "/from",
                    "out-of-range",
                    "a period of use is at most 92 days long: report it in parts",
                );
            }
            if body.lifts > MAX_LIFTS {
                faults.add(
                    "/lifts",
                    "out-of-range",
                    format!("at most {MAX_LIFTS} lifts in one entry"),
                );
            }
            if matches!((body.mean_load, body.heaviest_load), (Some(mean), Some(heaviest)) if mean > heaviest)
            {
                faults.add(
                    "/mean_load",
                    "out-of-range",
                    "the mean load is not above the heaviest",
                );
            }
        }
        Body::Retired(body) => {
            faults.text("/reason", &body.reason, MAX_TEXT, true);
            faults.optional("/made_unusable", body.made_unusable.as_ref(), MAX_TEXT);
            faults.optional("/witness", body.witness.as_ref(), MAX_NAME);
        }
        Body::Reassessed(body) => faults.text("/cause", &body.cause, MAX_TEXT, true),
        Body::Confirmed(_) => {}
    }
    faults.0
}

fn registered(body: &Registered, faults: &mut Faults) {
    if let Err(fault) = mark::check_mark(&body.asset_mark) {
        faults.add("/asset_mark", "not-a-mark", fault.to_string());
    }
    if let Some(Err(fault)) = body.serial_number.as_deref().map(mark::check_mark) {
        faults.add("/serial_number", "not-a-mark", fault.to_string());
    }
    faults.day("/manufactured_on", body.manufactured_on);
    faults.day("/put_into_service_on", body.put_into_service_on);
    if let Some(declaration) = &body.declaration {
        self::declaration("/declaration", declaration, faults);
    }
    if let Some(scheme) = &body.examination_scheme {
        self::scheme("/examination_scheme", scheme, faults);
    }
    if let Some(direction) = &body.direction {
        self::direction("/direction", direction, faults);
    }
    if let Some(wll) = body.wll {
        self::wll("/wll", wll, faults);
    }
    if body
        .jaw_opening
        .is_some_and(|jaw_opening| !jaw_opening.is_ordered())
    {
        faults.add("/jaw_opening", "out-of-order", "`min` is not above `max`");
    }
}

fn declaration(pointer: &str, declaration: &Declaration, faults: &mut Faults) {
    faults.day(format!("{pointer}/made_on"), Some(declaration.made_on));
    faults.optional(
        format!("{pointer}/document"),
        declaration.document.as_ref(),
        MAX_NAME,
    );
}

fn scheme(pointer: &str, scheme: &ExaminationScheme, faults: &mut Faults) {
    faults.day(format!("{pointer}/valid_from"), Some(scheme.valid_from));
    faults.text(
        format!("{pointer}/drawn_up_by"),
        &scheme.drawn_up_by,
        MAX_NAME,
        true,
    );
    faults.optional(format!("{pointer}/document"), scheme.document.as_ref(), MAX_NAME);
}

fn wll(pointer: &str, wll: Mass, faults: &mut Faults) {
    if wll.value().is_zero() {
        faults.add(pointer, "out-of-range", "a working load limit is above zero");
    }
}

fn direction(pointer: &str, direction: &Direction, faults: &mut Faults) {
    let each_use = direction.each_use == Some(true);
    if !each_use && (direction.frequent.is_none() || direction.periodic.is_none()) {
        faults.add(pointer, "incomplete", "give both intervals, or `each_use`: true");
    }
}

/// A field of a finding, as it is pointed to.
struct OfFinding {
    index: usize,
    field: &'static str,
}

impl Display for OfFinding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "/findings/{}/{}", self.index, self.field)
    }
}

fn inspected(body: &Inspected, faults: &mut Faults) {
    faults.count("/findings", body.findings.len(), MAX_FINDINGS);
    faults.count("/lockouts", body.lockouts.len(), MAX_ITEMS);
    faults.unique(
        "/findings",
        body.findings
            .iter()
            .map(|finding| (&finding.criterion, &finding.place)),
    );
    for (index, finding) in body.findings.iter().enumerate() {
        let at = |field| OfFinding { index, field };
        if crate::criteria::criterion(&finding.criterion).is_none() {
            faults.add(
                at("criterion"),
                "unknown-criterion",
                "not in the catalogue: see GET /v1/criteria",
            );
        }
        let says_danger = matches!(finding.grade, Some(Grade::Danger | Grade::DangerBy));
        if says_danger && finding.outcome != Outcome::Reject {
            faults.add(at("grade"), "contradiction", "a danger is rejected, not accepted");
        }
        match (finding.grade, finding.by_date) {
            (Some(Grade::DangerBy), None) => {
                faults.add(at("by_date"), "missing", "`danger_by` needs the last day of use")
            }
            (Some(Grade::Danger | Grade::Watch) | None, Some(_)) => {
                faults.add(
                    at("by_date"),
                    "contradiction",
                    "only `danger_by` has a last day of use",
                );
            }
            (Some(Grade::DangerBy), Some(_)) | (Some(Grade::Danger | Grade::Watch) | None, None) => {}
        }
        faults.day(at("by_date"), finding.by_date);
        if finding.uncertainty.is_some() && finding.measured.is_none() {
            faults.add(
                at("uncertainty"),
                "contradiction",
                "an uncertainty belongs to a measurement",
            );
        }
        faults.optional(at("place"), finding.place.as_ref(), MAX_NAME);
        if finding.place.as_deref().is_some_and(|place| place.contains('|')) {
            faults.add(at("place"), "not-a-place", "a place is named without `|`");
        }
        faults.optional(at("note"), finding.note.as_ref(), MAX_TEXT);
        faults.photos(at("photos"), &finding.photos);
    }
    faults.day("/next_latest_date", body.next_latest_date);
    faults.optional("/premises", body.premises.as_ref(), MAX_TEXT);
    faults.optional(
        "/no_crack_test_reason",
        body.no_crack_test_reason.as_ref(),
        MAX_TEXT,
    );
}

fn repaired(body: &Repaired, faults: &mut Faults) {
    if body.components.is_empty() {
        faults.add("/components", "empty", "name what was worked on");
    }
    faults.count("/answers", body.answers.len(), MAX_ITEMS);
    faults.unique("/answers", body.answers.iter());
    faults.unique("/components", body.components.iter());
    faults.count("/parts", body.parts.len(), MAX_ITEMS);
    for (index, part) in body.parts.iter().enumerate() {
        faults.text(
            format!("/parts/{index}/part_number"),
            &part.part_number,
            MAX_NAME,
            true,
        );
        faults.optional(format!("/parts/{index}/lot"), part.lot.as_ref(), MAX_NAME);
    }
    faults.text("/work", &body.work, MAX_TEXT, true);
    faults.optional("/statement_document", body.statement_document.as_ref(), MAX_NAME);
}

fn amended(body: &Amended, faults: &mut Faults) {
    faults.text("/reason", &body.reason, MAX_TEXT, true);
    faults.optional("/document", body.document.as_ref(), MAX_NAME);
    if let Err(detail) = value_fits(body, faults) {
        faults.add("/value", "wrong-value", detail);
    }
}

/// Whether an amendment's value is what its field holds, and has no fault that a registration's would have.
fn value_fits(body: &Amended, faults: &mut Faults) -> Result<(), String> {
    fn is<T: serde::de::DeserializeOwned>(value: &serde_json::Value) -> Result<T, String> {
        serde_json::from_value(value.clone()).map_err(|error| error.to_string())
    }
    let value = &body.value;
    match body.field {
        AmendmentField::AssetMark | AmendmentField::SerialNumber => {
            mark::check_mark(&is::<String>(value)?).map_err(|fault| fault.to_string())
        }
        AmendmentField::ModelId => is::<crate::ids::ModelId>(value).map(drop),
        AmendmentField::Wll => is::<Mass>(value).map(|wll| self::wll("/value", wll, faults)),
        AmendmentField::JawOpening => {
            let range = is::<crate::quantity::Range<crate::quantity::Length>>(value)?;
            if range.is_ordered() {
                Ok(())
            } else {
                Err("`min` is not above `max`".to_owned())
            }
        }
        AmendmentField::ManufacturedOn | AmendmentField::PutIntoServiceOn => {
            let day = is::<Date>(value)?;
            let in_range = DAYS.0 <= day && day <= DAYS.1;
            if in_range {
                Ok(())
            } else {
                Err(format!("a day from {} to {}", DAYS.0, DAYS.1))
            }
        }
        AmendmentField::Declaration => {
            is::<Declaration>(value).map(|declaration| self::declaration("/value", &declaration, faults))
        }
        AmendmentField::ExaminationScheme => {
            is::<ExaminationScheme>(value).map(|scheme| self::scheme("/value", &scheme, faults))
        }
        AmendmentField::SameClampAs => is::<crate::ids::ClampId>(value).map(drop),
        AmendmentField::IncidentHoldEnded
        | AmendmentField::Found
        | AmendmentField::EnteredInError
        | AmendmentField::ForeignPart
        | AmendmentField::RetirementUndone => {
            let text = is::<String>(value)?;
            if text.trim().is_empty() || text.chars().count() > MAX_TEXT {
                return Err(format!(
                    "a text of 1 to {MAX_TEXT} characters: who, where, when, how"
                ));
            }
            Ok(())
        }
    }
}

#[cfg(test)]
mod tests;
