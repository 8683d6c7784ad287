//! `return`: names every open lock-out and its ground. The person's code is always asked for again, and nothing is
//! written without it. Whether the grounds hold, the service decides: it alone has the whole history.

use super::Desk;
use super::person::{Signing, author};
use super::record::{More, bearer, kept, tell};
use crate::failure::{Done, Failure};
use clampward_domain::entry::{Body, Release, ReturnedToService};
use clampward_domain::lockout::Lockout;
use clampward_domain::words::{Ground, LockoutReason};
use clap::Args;
use serde_json::{Value, json};
use std::path::PathBuf;

/// Arguments of `return`.
#[derive(Args)]
pub(super) struct Return {
    /// The mark on the clamp.
    mark: String,
    /// A file with the list of releases, each with `lockout_id`, `ground` and the entries that it cites.
    #[arg(long)]
    releases: Option<PathBuf>,
    /// Only list the open lock-outs and the grounds on which each may be closed.
    #[arg(long)]
    list: bool,
}

/// The grounds on which a lock-out may be closed.
fn grounds(lockout: &Lockout) -> &'static [Ground] {
    match lockout.reason {
        None => &[Ground::Repaired, Ground::Restored, Ground::EnteredInError],
        Some(LockoutReason::NotReinspected) => &[Ground::Reinspected],
        Some(LockoutReason::ForeignPart) => &[Ground::Restored],
        Some(_) => &[Ground::InspectedFit, Ground::EnteredInError],
    }
}

/// `return`.
pub(super) fn return_to_service(desk: &mut Desk<'_>, arguments: Return) -> Done<bool> {
    let row = bearer(desk, &arguments.mark)?;
    let open: Vec<Lockout> = row.state.open_lockouts().into_iter().cloned().collect();
    let listed: Vec<Value> = open
        .iter()
        .map(|lockout| {
            json!({
                "lockout_id": lockout.id,
                "what": lockout.what(),
                "place": lockout.place,
                "since": lockout.bars_from,
                "grounds": grounds(lockout),
            })
        })
        .collect();
    let shown = || {
        let mut text = format!("{} lock-outs are open on {}:\n", open.len(), arguments.mark);
        for lockout in &open {
            let words: Vec<&str> = grounds(lockout).iter().map(|ground| ground.code()).collect();
            text += &format!(
                "  {} {}: {}\n",
                lockout.id,
                lockout.what().replace('_', " "),
                words.join(" or ")
            );
        }
        text
    };
    if arguments.list {
        desk.say(&json!({"open_lockouts": listed}), shown);
        return Ok(true);
    }
    let releases: Vec<Release> = match &arguments.releases {
        Some(file) => {
            let text = std::fs::read(file).map_err(|cause| Failure::File {
                path: file.display().to_string(),
                cause,
            })?;
            serde_json::from_slice(&text)
                .map_err(|error| Failure::unreadable(file.display().to_string(), error))?
        }
        None => {
            eprintln!("{}", shown());
            open.iter()
                .map(|lockout| ask(desk, lockout))
                .collect::<Done<_>>()?
        }
    };
    let left_out: Vec<String> = open
        .iter()
        .filter(|lockout| !releases.iter().any(|release| release.lockout_id == lockout.id))
        .map(|lockout| format!("{} ({})", lockout.id, lockout.what().replace('_', " ")))
        .collect();
    if !left_out.is_empty() {
        return Err(Failure::refused(format!(
            "a return names every open lock-out; left out: {}",
            left_out.join(", ")
        )));
    }
    let author = author(desk, Signing::Required)?;
    let body = Body::from(ReturnedToService { releases });
    let told = tell(desk, Some(row), &arguments.mark, &author, body)?;
    let note = "The clamp stays tagged out here until the service has recorded the return and found every ground supported.";
    let more = More {
        fields: json!({"note": note}),
        words: format!("  {note}"),
    };
    kept(desk, &[told], &author, &arguments.mark, more)
}

/// Asks for one release on a terminal.
fn ask(desk: &Desk<'_>, lockout: &Lockout) -> Done<Release> {
    let what = lockout.what().replace('_', " ");
    let ground: Ground = desk
        .prompt(&format!("Ground for {what}:"))?
        .parse()
        .map_err(Failure::refused)?;
    let cited = |question: &str| -> Done<Option<clampward_domain::ids::EntryId>> {
        let text = desk.prompt(question)?;
        if text.is_empty() {
            return Ok(None);
        }
        text.parse()
            .map(Some)
            .map_err(|_| Failure::refused(format!("{text} is no id of an entry")))
    };
    let statement = desk.prompt("Statement (may be empty):")?;
    Ok(Release {
        lockout_id: lockout.id,
        ground,
        repair_entry: cited("Entry of the repair (may be empty):")?,
        inspection_entry: cited("Entry of the inspection (may be empty):")?,
        proof_test_entry: cited("Entry of the proof test (may be empty):")?,
        correction_entry: cited("Entry of the correction (may be empty):")?,
        maker_document: None,
        statement: Some(statement).filter(|statement| !statement.is_empty()),
    })
}
