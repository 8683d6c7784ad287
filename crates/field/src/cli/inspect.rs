//! `inspect`: the criteria of that kind, answered one by one or all at once, and what the answers come to: wear against the
//! limit, the verdict, the lock-outs.

use super::Desk;
use super::dialogue;
use super::person::{Author, Signing, author};
use super::record::{More, bearer, kept, tell};
use crate::failure::{Done, Failure};
use crate::mirror::ClampRow;
use crate::offline::{self, Known};
use clampward_domain::criteria::{self, Criterion, Scope};
use clampward_domain::entry::{Body, Entry, Finding, Inspected};
use clampward_domain::finding::{Judged, basis, judge_finding, reading_key};
use clampward_domain::ids::EntryId;
use clampward_domain::rule_set;
use clampward_domain::words::{ExceptionalReason, InspectionKind, Outcome};
use clap::Args;
use jiff::Timestamp;
use serde_json::{Map, Value, json};
use std::io::Read;
use std::path::PathBuf;

/// Arguments of `inspect`.
#[derive(Args)]
pub(super) struct Inspect {
    /// The mark on the clamp.
    mark: String,
    /// initial, pre_lift, post_lift, frequent, periodic, after_repair or exceptional.
    #[arg(long, default_value = "frequent")]
    kind: InspectionKind,
    /// Why, for an exceptional one.
    #[arg(long)]
    reason: Option<ExceptionalReason>,
    /// A file with answers, `-` for standard input: `{"<criterion>": "accept" | "reject" | {"outcome": …, "measured": {"value": "21.0", "unit": "mm"}, …}}`.
    #[arg(long, value_name = "FILE")]
    answers: Option<PathBuf>,
    /// The answer to every mandatory criterion that the file does not name.
    #[arg(long)]
    otherwise: Option<Outcome>,
    /// Further fields of the inspection as a JSON object, for example `{"after_repair_of": "…"}`.
    #[arg(long)]
    with: Option<String>,
}

/// What every inspection is made of.
pub(super) struct Sheet {
    pub(super) known: Known,
    pub(super) at: Timestamp,
    /// The inspection without findings.
    blank: Entry,
}

/// `inspect`.
pub(super) fn inspect(desk: &mut Desk<'_>, arguments: Inspect) -> Done<bool> {
    let row = bearer(desk, &arguments.mark)?;
    let author = author(desk, Signing::Preferred)?;
    let sheet = sheet(desk, row, &author, &arguments)?;
    let asked = asked(&sheet, &arguments)?;
    let findings = match &arguments.answers {
        Some(file) => from_file(file, &asked, arguments.otherwise)?,
        None if arguments.otherwise.is_some() => from_map(&Map::new(), &asked, arguments.otherwise)?,
        None => dialogue::ask(desk, &sheet, arguments.kind, &author.person.name, &asked)?,
    };
    let mut inspected = body_of(&sheet.blank)?;
    inspected.findings = findings;
    let measured = measured(&sheet, &inspected);
    let row = sheet.known.row.clone();
    let told = tell(desk, Some(row), &arguments.mark, &author, Body::from(inspected))?;
    let (values, lines): (Vec<Value>, Vec<String>) = measured.into_iter().unzip();
    let more = More {
        fields: json!({"measured": values}),
        words: lines.join("\n"),
    };
    kept(desk, &[told], &author, &arguments.mark, more)
}

fn sheet(desk: &Desk<'_>, row: ClampRow, author: &Author, arguments: &Inspect) -> Done<Sheet> {
    let connection = desk.database.connection();
    let moment = desk.host.clock.moment();
    let at = crate::device::now(connection, &moment)?.at();
    let known = offline::known(connection, row, Some(author.person.person_id))?;
    let judged_by = offline::versions(&known, at).ok_or_else(|| {
        Failure::refused("this device does not know the clamp's yard or model: synchronise first")
    })?;
    let mut body = match &arguments.with {
        None => Map::new(),
        Some(text) => serde_json::from_str(text).map_err(|error| Failure::unreadable("--with", error))?,
    };
    body.insert("kind".to_owned(), json!(arguments.kind));
    body.insert("findings".to_owned(), json!([]));
    if let Some(reason) = arguments.reason {
        body.insert("exceptional_reason".to_owned(), json!(reason));
    }
    let inspected: Inspected =
        serde_json::from_value(Value::Object(body)).map_err(|error| Failure::unreadable("--with", error))?;
    let blank = Entry {
        id: EntryId::new(uuid::Uuid::nil()),
        clamp_id: known.row.clamp_id,
        performed_at: moment.wall,
        counted_at: at,
        performed_by: author.person.person_id,
        device_id: None,
        judged_by,
        signed: author.key.is_some(),
        placed: false,
        body: Body::from(inspected),
    };
    Ok(Sheet { known, at, blank })
}

fn body_of(entry: &Entry) -> Done<Inspected> {
    match &entry.body {
        Body::Inspected(inspected) => Ok(inspected.clone()),
        _ => Err(Failure::refused("not an inspection")),
    }
}

/// The criteria that are asked, each with whether it must be answered.
fn asked(sheet: &Sheet, arguments: &Inspect) -> Done<Vec<(&'static Criterion, bool)>> {
    let inspected = body_of(&sheet.blank)?;
    let rules = rule_set::current(sheet.blank.judged_by.rule_set);
    let scope = match (rules.scope(arguments.kind, arguments.reason), arguments.reason) {
        (_, Some(ExceptionalReason::Precaution)) if arguments.kind == InspectionKind::Exceptional => {
            Scope::Frequent
        }
        (Scope::Dismantled, _) if inspected.crack_tested == Some(true) => Scope::CrackTest,
        (scope, _) => scope,
    };
    let model = sheet
        .known
        .reference
        .model_at(sheet.blank.judged_by.model_id, sheet.at)
        .map(|version| version.value.as_ref());
    Ok(criteria::asked(scope, model).collect())
}

/// Answers out of a file.
fn from_file(
    file: &PathBuf,
    asked: &[(&'static Criterion, bool)],
    otherwise: Option<Outcome>,
) -> Done<Vec<Finding>> {
    let text = if file.as_os_str() == "-" {
        let mut text = Vec::new();
        std::io::stdin().read_to_end(&mut text).map(|_| text)
    } else {
        std::fs::read(file)
    };
    let text = text.map_err(|cause| Failure::File {
        path: file.display().to_string(),
        cause,
    })?;
    let answers: Map<String, Value> = serde_json::from_slice(&text)
        .map_err(|error| Failure::unreadable(file.display().to_string(), error))?;
    from_map(&answers, asked, otherwise)
}

fn from_map(
    answers: &Map<String, Value>,
    asked: &[(&'static Criterion, bool)],
    otherwise: Option<Outcome>,
) -> Done<Vec<Finding>> {
    let finding = |code: &str, answer: &Value| -> Done<Finding> {
        let mut fields = match answer {
            Value::Object(fields) => fields.clone(),
            word => Map::from_iter([("outcome".to_owned(), word.clone())]),
        };
        fields.insert("criterion".to_owned(), json!(code));
        serde_json::from_value(Value::Object(fields))
            .map_err(|error| Failure::unreadable(format!("the answer to {code}"), error))
    };
    let mut findings = Vec::new();
    for (criterion, mandatory) in asked {
        match (answers.get(&criterion.code), otherwise) {
            (Some(Value::Array(several)), _) => {
                for answer in several {
                    findings.push(finding(&criterion.code, answer)?);
                }
            }
            (Some(answer), _) => findings.push(finding(&criterion.code, answer)?),
            (None, Some(outcome)) if *mandatory => findings.push(finding(&criterion.code, &json!(outcome))?),
            (None, _) => {}
        }
    }
    // A rejection is never left out, whether that kind of inspection asks for it or not.
    for (code, answer) in answers {
        if !asked.iter().any(|(criterion, _)| criterion.code == *code) {
            findings.push(finding(code, answer)?);
        }
    }
    Ok(findings)
}

/// What every measurement comes to, as data and in words.
fn measured(sheet: &Sheet, inspected: &Inspected) -> Vec<(Value, String)> {
    inspected
        .findings
        .iter()
        .filter_map(|finding| one_measured(sheet, finding))
        .collect()
}

/// What one measurement comes to; nothing if nothing was measured.
pub(super) fn one_measured(sheet: &Sheet, finding: &Finding) -> Option<(Value, String)> {
    let inspected = body_of(&sheet.blank).ok()?;
    let last = sheet.known.row.state.readings.get(&reading_key(finding)).copied();
    let reference = &sheet.known.reference;
    let Judged { measurement, .. } = judge_finding(
        basis(&sheet.blank, reference),
        &sheet.blank,
        &inspected,
        finding,
        last,
        reference,
    );
    finding.measured?;
    let Some(measurement) = measurement else {
        let line = format!(
            "  {}: no nominal size is known, judged by look",
            finding.criterion
        );
        return Some((json!({"criterion": finding.criterion, "judged": false}), line));
    };
    let line = format!(
        "  {}: worn {} %, rejected at {} mm (U {} mm): {}",
        finding.criterion,
        measurement.wear_percent,
        measurement.limit,
        measurement.uncertainty,
        match measurement.verdict {
            clampward_domain::measured::MeasuredVerdict::Conforming => "in order",
            clampward_domain::measured::MeasuredVerdict::NotShownToConform =>
                "not shown to conform: out of service",
            clampward_domain::measured::MeasuredVerdict::Worn => "WORN: out of service",
            clampward_domain::measured::MeasuredVerdict::NotJudged(_) => "not plausible: measure again",
        }
    );
    let mut value = serde_json::to_value(&measurement).ok()?;
    if let Some(fields) = value.as_object_mut() {
        fields.insert("criterion".to_owned(), json!(finding.criterion));
    }
    Some((value, line))
}
