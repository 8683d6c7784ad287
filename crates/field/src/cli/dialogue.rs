//! An inspection as a conversation: the criteria one by one in the order in which a hand comes across them, measurements with
//! their wear at once, back one step where a finger slipped. A pipe answers as a person would, a line for each question.
//!
//! Nothing is written before all of it is answered. There is no "all the rest is in order" on purpose.

use super::Desk;
use super::inspect::{Sheet, one_measured};
use super::record::number_and_unit;
use super::say::mass;
use crate::failure::{Done, Failure};
use clampward_domain::criteria::Criterion;
use clampward_domain::entry::Finding;
use clampward_domain::particulars::particulars;
use clampward_domain::quantity::Length;
use clampward_domain::words::{InspectionKind, Outcome};

/// What is typed at a criterion.
enum Typed {
    Outcome(Outcome),
    /// A size, and how well the gauge shows it.
    Measured(Length, Option<Length>),
    Back,
    Quit,
}

/// Asks every criterion, and at last whether it is to be written down.
pub(super) fn ask(
    desk: &Desk<'_>,
    sheet: &Sheet,
    kind: InspectionKind,
    who: &str,
    asked: &[(&'static Criterion, bool)],
) -> Done<Vec<Finding>> {
    let talk = Talk { desk };
    talk.tell(&heading(sheet, kind, who, asked));
    let mut findings: Vec<Finding> = Vec::new();
    loop {
        let at = findings.len();
        let back = match asked.get(at) {
            Some((criterion, mandatory)) => {
                let place = format!("{:>2}/{}", at.saturating_add(1), asked.len());
                match talk.one(sheet, criterion, *mandatory, &place)? {
                    Some(finding) => {
                        findings.push(finding);
                        false
                    }
                    None => true,
                }
            }
            None => match talk.whether_to_write(&findings)? {
                true => break,
                false => true,
            },
        };
        if back {
            findings.pop();
        }
    }
    // What need not be answered and was not, is no finding.
    let mandatory = asked.iter().map(|(_, mandatory)| *mandatory);
    Ok(findings
        .into_iter()
        .zip(mandatory)
        .filter(|(finding, mandatory)| {
            *mandatory || finding.outcome != Outcome::NotChecked || finding.measured.is_some()
        })
        .map(|(finding, _)| finding)
        .collect())
}

fn heading(sheet: &Sheet, kind: InspectionKind, who: &str, asked: &[(&'static Criterion, bool)]) -> String {
    let must = asked.iter().filter(|(_, mandatory)| *mandatory).count();
    let state = &sheet.known.row.state;
    let clamp = particulars(state, &sheet.known.reference, sheet.at).map_or_else(String::new, |details| {
        format!(
            " (serial number {}, WLL {})",
            details.serial_number.as_deref().unwrap_or("not readable"),
            details.wll.as_ref().map_or_else(|| "not known".to_owned(), mass),
        )
    });
    format!(
        "Inspection ({}) of {}{clamp} by {who}: {} questions, {must} of them to be answered.\n\
         Answers: y in order, n reject, - not checked, x does not apply; a size as \"28.4 mm\", with the gauge's \
         uncertainty as \"28.4 mm +- 0.05\"; b back, q quit without writing anything.",
        kind.code().replace('_', " "),
        sheet
            .known
            .row
            .mark
            .as_deref()
            .unwrap_or("a clamp without a mark"),
        asked.len(),
    )
}

/// The conversation.
struct Talk<'a> {
    desk: &'a Desk<'a>,
}

impl Talk<'_> {
    /// Said to a person; a pipe needs no telling.
    fn tell(&self, words: &str) {
        if self.desk.interactive() {
            eprintln!("{words}");
        }
    }

    /// An answer that says something. What a person mistypes is asked again; in a pipe every later line would answer another
    /// question, so it ends there.
    fn understood<T>(&self, question: &str, read: impl Fn(&str) -> Result<T, String>) -> Done<T> {
        loop {
            let line = self.desk.next_line(question)?.ok_or_else(|| {
                Failure::refused(format!(
                    "the answers end before {:?}: nothing was written",
                    question.trim()
                ))
            })?;
            match read(&line) {
                Ok(read) => return Ok(read),
                Err(why) if self.desk.interactive() => eprintln!("     {why}"),
                Err(why) => {
                    return Err(Failure::refused(format!(
                        "{line:?} at {:?}: {why}; nothing was written",
                        question.trim()
                    )));
                }
            }
        }
    }

    /// One criterion; nothing: one back.
    fn one(
        &self,
        sheet: &Sheet,
        criterion: &Criterion,
        mandatory: bool,
        place: &str,
    ) -> Done<Option<Finding>> {
        let mut finding = Finding {
            criterion: criterion.code.clone(),
            outcome: Outcome::NotChecked,
            grade: None,
            by_date: None,
            measured: None,
            uncertainty: None,
            place: None,
            put_right: None,
            note: None,
            photos: Vec::new(),
        };
        let optional = if mandatory { "" } else { " (may be left out: -)" };
        let gauge = if criterion.measured.is_some() {
            " (or its size)"
        } else {
            ""
        };
        let question = format!(
            "{place} {}: {}{optional}{gauge}",
            criterion.component.code().replace('_', " "),
            criterion.question
        );
        finding.outcome = loop {
            match self.understood(&question, |line| typed(line, criterion))? {
                Typed::Outcome(outcome) => break outcome,
                Typed::Measured(size, uncertainty) => {
                    finding.measured = Some(size);
                    finding.uncertainty = uncertainty;
                    if let Some((_, line)) = one_measured(sheet, &finding) {
                        self.tell(&line);
                    }
                }
                Typed::Back => return Ok(None),
                Typed::Quit => return Err(quit()),
            }
        };
        if finding.outcome == Outcome::Reject {
            let note = self
                .desk
                .next_line("      What is wrong (may be empty):")?
                .unwrap_or_default();
            finding.note = Some(note).filter(|note| !note.is_empty());
        }
        Ok(Some(finding))
    }

    /// The last question; no: one back.
    fn whether_to_write(&self, findings: &[Finding]) -> Done<bool> {
        let of = |outcome| {
            findings
                .iter()
                .filter(|finding| finding.outcome == outcome)
                .count()
        };
        self.tell(&format!(
            "{} in order, {} rejected, {} not checked, {} do not apply.",
            of(Outcome::Accept),
            of(Outcome::Reject),
            of(Outcome::NotChecked),
            of(Outcome::NotApplicable)
        ));
        self.understood("Write it down? (y; b back; q quit)", |line| match line {
            "y" => Ok(Some(true)),
            "b" => Ok(Some(false)),
            "q" => Ok(None),
            _ => Err("y, b or q".to_owned()),
        })?
        .ok_or_else(quit)
    }
}

fn quit() -> Failure {
    Failure::refused("left: nothing was written")
}

fn typed(line: &str, criterion: &Criterion) -> Result<Typed, String> {
    match line {
        "y" => Ok(Typed::Outcome(Outcome::Accept)),
        "n" => Ok(Typed::Outcome(Outcome::Reject)),
        "-" => Ok(Typed::Outcome(Outcome::NotChecked)),
        "x" => Ok(Typed::Outcome(Outcome::NotApplicable)),
        "b" => Ok(Typed::Back),
        "q" => Ok(Typed::Quit),
        size if criterion.measured.is_some() && size.starts_with(|first: char| first.is_ascii_digit()) => {
            measured(size)
        }
        _ if criterion.measured.is_some() => Err("y, n, -, x, b, q or a size as 28.4 mm".to_owned()),
        _ => Err("y, n, -, x, b or q".to_owned()),
    }
}

/// `28.4 mm`, `28.4 mm +- 0.05`, `28.4 mm ± 0.002 in`.
fn measured(text: &str) -> Result<Typed, String> {
    let (size, uncertainty) = match text.split_once("+-").or_else(|| text.split_once('±')) {
        Some((size, uncertainty)) => (size, Some(uncertainty)),
        None => (text, None),
    };
    let (value, unit) = number_and_unit(size);
    let length = |value: &str, unit: &str| Length::parse(value, unit).map_err(|error| error.to_string());
    let uncertainty = uncertainty
        .map(|text| {
            let (value, own) = number_and_unit(text);
            length(&value, if own.is_empty() { &unit } else { &own })
        })
        .transpose()?;
    Ok(Typed::Measured(length(&value, &unit)?, uncertainty))
}

#[cfg(test)]
mod tests {
    //! What people type at a criterion.

    use super::*;
    use clampward_domain::criteria;

    fn said(line: &str, criterion: &str) -> String {
        match typed(line, criteria::criterion(criterion).unwrap()) {
            Ok(Typed::Outcome(outcome)) => outcome.code().to_owned(),
            Ok(Typed::Measured(size, uncertainty)) => format!(
                "{} {} {:?}",
                size.value(),
                size.unit().code(),
                uncertainty.map(|of| format!("{} {}", of.value(), of.unit().code()))
            ),
            Ok(Typed::Back) => "back".to_owned(),
            Ok(Typed::Quit) => "quit".to_owned(),
            Err(why) => why,
        }
    }

    #[test]
    fn a_size_is_taken_with_its_unit_and_its_uncertainty_where_there_is_something_to_measure() {
        assert_eq!(said("21.0 mm", "shackle_eye_worn"), "21.0 mm None");
        assert_eq!(
            said("21.0 mm +- 0.05", "shackle_eye_worn"),
            "21.0 mm Some(\"0.05 mm\")"
        );
        assert_eq!(
            said("0.83 in ± 0.05 mm", "shackle_eye_worn"),
            "0.83 [in_i] Some(\"0.05 mm\")"
        );
        assert_eq!(said("21.0 mm", "shackle_bent"), "y, n, -, x, b or q");
        assert!(
            said("21.0", "shackle_eye_worn").contains("unit"),
            "{}",
            said("21.0", "shackle_eye_worn")
        );
    }

    #[test]
    fn an_empty_line_or_a_word_is_no_answer() {
        for line in ["", "yes", "ok", "Y"] {
            assert_eq!(said(line, "shackle_bent"), "y, n, -, x, b or q", "{line:?}");
        }
        assert_eq!(said("-", "shackle_bent"), "not_checked");
        assert_eq!(said("x", "shackle_bent"), "not_applicable");
    }
}
