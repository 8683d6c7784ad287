//! Questions about a clamp: what is known, and whether it may be used.

use super::Desk;
use super::say::{answer_json, cautions, fitness, mass};
use crate::failure::Done;
use crate::{device, mirror, offline};
use clampward_domain::particulars::particulars;
use serde_json::{Value, json};

/// `may-lift`: yes or no.
pub(super) fn may_lift(desk: &Desk<'_>, mark: &str) -> Done<bool> {
    let moment = desk.host.clock.moment();
    let answer = offline::judge(desk.database.connection(), mark, &moment)?;
    let value = answer_json(&answer)?;
    desk.say(&value, || fitness(&answer) + &cautions());
    Ok(answer.fit)
}

/// `clamp`: everything that this device knows of it.
pub(super) fn clamp(desk: &Desk<'_>, mark: &str) -> Done<bool> {
    let connection = desk.database.connection();
    let moment = desk.host.clock.moment();
    let answer = offline::judge(connection, mark, &moment)?;
    let at = device::now(connection, &moment)?.at();
    let mut value = answer_json(&answer)?;
    let mut text = fitness(&answer);
    let row = answer
        .clamp_id
        .map(|clamp| mirror::clamp(connection, clamp))
        .transpose()?
        .flatten();
    if let Some(row) = row {
        let known = offline::known(connection, row, None)?;
        let state = &known.row.state;
        let lockouts = state.open_lockouts();
        if let Some(fields) = value.as_object_mut() {
            fields.insert("open_lockouts".to_owned(), serde_json::to_value(&lockouts)?);
            let details = particulars(state, &known.reference, at);
            if let Some(details) = &details {
                text += &format!(
                    "  Serial number {}, WLL {}\n",
                    details.serial_number.as_deref().unwrap_or("not readable"),
                    details.wll.as_ref().map_or_else(|| "not known".to_owned(), mass),
                );
            }
            fields.insert("particulars".to_owned(), serde_json::to_value(details)?);
        }
        for lockout in lockouts {
            text += &format!(
                "  Lock-out {} since {}: {}{}\n",
                lockout.id,
                lockout.bars_from.strftime("%F"),
                lockout.what().replace('_', " "),
                lockout
                    .place
                    .as_deref()
                    .map(|place| format!(" ({place})"))
                    .unwrap_or_default(),
            );
        }
        let due = |due: &Option<clampward_domain::schedule::DueDate>| {
            due.as_ref()
                .and_then(|due| due.on)
                .map_or_else(|| "–".to_owned(), |on| on.to_string())
        };
        text += &format!(
            "  Due: frequent {}, periodic {}\n",
            due(&answer.due.frequent),
            due(&answer.due.periodic)
        );
    }
    let own = own(desk, answer.clamp_id, mark)?;
    if let (Some(fields), Some(list)) = (value.as_object_mut(), own.as_array()) {
        if !list.is_empty() {
            text += &match list.len() {
                1 => "  1 entry of this device that the service has not shown back yet\n".to_owned(),
                more => format!("  {more} entries of this device that the service has not shown back yet\n"),
            };
        }
        fields.insert("own".to_owned(), own);
    }
    desk.say(&value, || text + &cautions());
    Ok(answer.clamp_id.is_some())
}

fn own(desk: &Desk<'_>, clamp: Option<clampward_domain::ids::ClampId>, mark: &str) -> Done<Value> {
    let all = [crate::journal::Pulled::EVERYTHING];
    let own = crate::journal::own_entries(desk.database.connection(), clamp, Some(mark), &all)?;
    Ok(own
        .iter()
        .map(|own| {
            json!({
                "entry_id": own.kept.entry_id,
                "kind": own.entry.as_ref().map(|entry| entry.kind),
                "state": own.kept.state,
            })
        })
        .collect())
}
