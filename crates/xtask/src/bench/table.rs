//! The table of ratios: as text for the terminal, and between two markers of README.md.

use crate::failure::{Done, Failure, While};
use crate::workspace;
use std::fmt::Write;

/// Where the table stands in README.md.
const BEGIN: &str = "<!-- bench: begin -->";
const END: &str = "<!-- bench: end -->";

/// What a ratio should be.
#[derive(Clone, Copy, Debug)]
pub enum Target {
    /// At least this.
    AtLeast(f64),
    /// At most this.
    AtMost(f64),
    /// Shown only.
    None,
}

impl Target {
    fn is_met_by(self, ratio: f64) -> bool {
        match self {
            Self::AtLeast(least) => ratio >= least,
            Self::AtMost(most) => ratio <= most,
            Self::None => true,
        }
    }
    fn text(self) -> String {
        match self {
            Self::AtLeast(least) => format!("≥ {least:.2}"),
            Self::AtMost(most) => format!("≤ {most:.2}"),
            Self::None => "–".to_owned(),
        }
    }
}

/// One line of the table.
#[derive(Clone, Debug)]
pub struct Line {
    /// What was measured.
    pub what: String,
    /// The service's figures, one per round.
    pub ours: Vec<f64>,
    /// What it is compared with, one per round.
    pub floor: Vec<f64>,
    /// Their unit.
    pub unit: &'static str,
    /// What the ratio should be.
    pub target: Target,
    /// What is worth saying beside.
    pub note: String,
}

/// The middle of some figures.
pub fn median(figures: &[f64]) -> f64 {
    let mut sorted = figures.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(f64::NAN)
}

impl Line {
    /// The ratio of the medians.
    pub fn ratio(&self) -> f64 {
        median(&self.ours) / median(&self.floor)
    }
    /// The least and the greatest ratio of one round.
    fn spread(&self) -> (f64, f64) {
        let ratios: Vec<f64> = self
            .ours
            .iter()
            .zip(&self.floor)
            .map(|(ours, floor)| ours / floor)
            .collect();
        let least = ratios.iter().copied().fold(f64::INFINITY, f64::min);
        let most = ratios.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        (least, most)
    }
    fn markdown(&self) -> String {
        let (least, most) = self.spread();
        let met = if self.target.is_met_by(self.ratio()) {
            ""
        } else {
            " (missed)"
        };
        format!(
            "| {} | {} | {} | **{:.2}** ({least:.2}–{most:.2}) | {}{met} | {} |",
            self.what,
            figure(median(&self.ours), self.unit),
            figure(median(&self.floor), self.unit),
            self.ratio(),
            self.target.text(),
            self.note,
        )
    }
}

fn figure(value: f64, unit: &str) -> String {
    if value >= 1000.0 {
        format!("{:.1}k {unit}", value / 1000.0)
    } else if value >= 10.0 {
        format!("{value:.0} {unit}")
    } else {
        format!("{value:.2} {unit}")
    }
}

/// The whole table with the machine and how it was measured.
pub fn markdown(lines: &[Line], machine: &str, how: &str) -> String {
    let mut text = String::new();
    let _ = writeln!(text, "Measured on {machine}. {how}\n");
    let _ = writeln!(
        text,
        "| | service | compared with | ratio (per round) | asked for | |"
    );
    let _ = writeln!(text, "|---|---|---|---|---|---|");
    for line in lines {
        let _ = writeln!(text, "{}", line.markdown());
    }
    text
}

/// Puts the table between the markers of README.md.
pub fn write_readme(table: &str) -> Done {
    let path = workspace::root()?.join("README.md");
    let readme = std::fs::read_to_string(&path).during("reading README.md")?;
    std::fs::write(&path, between(&readme, table)?).during("writing README.md")
}

fn between(readme: &str, table: &str) -> Done<String> {
    let missing = || Failure::new(format!("README.md has no {BEGIN} followed by {END}"));
    let (before, rest) = readme.split_once(BEGIN).ok_or_else(missing)?;
    let (_, after) = rest.split_once(END).ok_or_else(missing)?;
    Ok(format!("{before}{BEGIN}\n{table}{END}{after}"))
}

#[cfg(test)]
mod tests {
    //! The table says what was measured and leaves the rest of the document alone.

    use super::*;

    #[test]
    fn only_what_stands_between_the_markers_is_replaced() {
        let readme = format!("top\n{BEGIN}\nold\n{END}\nbottom\n");
        let written = between(&readme, "new\n").unwrap();
        assert_eq!(written, format!("top\n{BEGIN}\nnew\n{END}\nbottom\n"));
        assert!(between("no markers", "new").is_err());
    }

    #[test]
    fn a_ratio_is_that_of_the_medians_and_a_missed_one_says_so() {
        let line = Line {
            what: "x".to_owned(),
            ours: vec![1.0, 3.0, 2.0],
            floor: vec![4.0, 4.0, 4.0],
            unit: "/s",
            target: Target::AtLeast(0.6),
            note: String::new(),
        };
        assert!((line.ratio() - 0.5).abs() < 1e-9);
        assert!(line.markdown().contains("**0.50** (0.25–0.75) | ≥ 0.60 (missed)"));
    }
}
