//! What is printed.

use super::Desk;
use crate::failure::Done;
use crate::offline::{Answer, CAUTIONS};
use clampward_domain::quantity::Mass;
use serde_json::{Value, json};
use std::io::Write;

impl Desk<'_> {
    /// One line of JSON, or the words. That nobody listens to the end is no reason to fail: what was done is done.
    pub(super) fn say(&self, value: &Value, words: impl FnOnce() -> String) {
        let text = if self.json { value.to_string() } else { words() };
        let _ = writeln!(std::io::stdout(), "{}", text.trim_end());
    }
}

/// The usual cautions.
pub(super) fn cautions() -> String {
    let mut text = String::from("\n");
    for caution in CAUTIONS {
        text += &format!("  ! {caution}\n");
    }
    text
}

/// An answer about fitness in words.
pub(super) fn fitness(answer: &Answer) -> String {
    let mut text = if answer.fit {
        format!("{}: fit for use, as far as this device knows.\n", answer.mark)
    } else {
        format!("{}: NO.\n", answer.mark)
    };
    for reason in &answer.reasons {
        text += &format!("  - {}\n", reason.detail);
    }
    if !answer.look_alikes.is_empty() {
        text += &format!("  Marks that look alike: {}\n", answer.look_alikes.join(", "));
    }
    if let Some(until) = answer.fit_until {
        text += &format!("  Until {} at the latest.\n", until.strftime("%F %H:%M UTC"));
    }
    match (answer.known_at, answer.age_seconds) {
        (Some(at), Some(age)) => {
            text += &format!(
                "  Knowledge of {} ({}), ledger position {}.\n",
                at.strftime("%F %H:%M UTC"),
                ago(age),
                answer.position.unwrap_or(0)
            );
        }
        (Some(at), None) => {
            text += &format!(
                "  Knowledge of {}; how old that is cannot be proven.\n",
                at.strftime("%F %H:%M UTC")
            );
        }
        (None, _) => {}
    }
    text
}

/// How long ago.
pub(super) fn ago(seconds: i64) -> String {
    match seconds {
        ..120 => format!("{seconds} s old"),
        120..7200 => format!("{} min old", seconds / 60),
        _ => format!("{} h {} min old", seconds / 3600, seconds % 3600 / 60),
    }
}

/// What an answer comes to as JSON, with the cautions.
pub(super) fn answer_json(answer: &Answer) -> Done<Value> {
    let mut value = serde_json::to_value(answer)?;
    if let Some(fields) = value.as_object_mut() {
        fields.insert("cautions".to_owned(), json!(CAUTIONS));
    }
    Ok(value)
}

/// A mass for a person.
pub(super) fn mass(mass: &Mass) -> String {
    format!("{} {}", mass.value(), mass.unit().code())
}
