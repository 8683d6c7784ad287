//! Two tablets at work: enrolled by the service, synchronised, and then without a network, each with entries about the same
//! clamp that nobody else has seen yet. `cargo xtask conflict` lets them meet.
//!
//! Everything is done by the field client, a command at a time; a start that was broken off goes on where it was.

use crate::demo::{AT_THE_BERTH, CLAMP_OF_BOTH, IN_THE_HULL};
use crate::failure::{Done, Failure, While};
use crate::field::Tablet;
use serde_json::{Value, json};
use std::path::Path;

/// A file that says that all of it was done.
const READY: &str = "ready";
/// A file for what a command reads.
const ANSWERS: &str = "answers.json";

/// Makes them, unless an earlier start has.
pub fn prepare(tablets: &Path, url: &str) -> Done {
    let ready = tablets.join(READY);
    if ready.exists() {
        return Ok(());
    }
    super::step("two tablets of Port Ellery go to work without a network");
    let hull = Tablet::of(IN_THE_HULL, tablets, url)?;
    let berth = Tablet::of(AT_THE_BERTH, tablets, url)?;
    for tablet in [&hull, &berth] {
        sign_on(tablet, url)?;
    }
    // From here on nothing is asked of the service.
    let inspector = berth.first();
    if written(&berth)?.is_empty() {
        let lockouts = open_lockouts(&berth)?;
        let with = json!({
            "lockouts": lockouts,
            "dismantled": true,
            "no_crack_test_reason": "looked at with a lens after cleaning; no indication (invented)",
        });
        let arguments = [
            "inspect",
            CLAMP_OF_BOTH,
            "--kind",
            "exceptional",
            "--reason",
            "drop",
            "--otherwise",
            "accept",
            "--with",
            &with.to_string(),
        ];
        berth.run(inspector, &arguments)?;
    }
    if written(&hull)?.is_empty() {
        let rejected = json!({"lock_does_not_hold": {
            "outcome": "reject",
            "note": "springs open when tried by hand (invented)",
        }});
        let file = answers(&hull, &rejected)?;
        let arguments = [
            "inspect",
            CLAMP_OF_BOTH,
            "--kind",
            "pre_lift",
            "--answers",
            &file,
            "--otherwise",
            "accept",
        ];
        hull.run(hull.first(), &arguments)?;
    }
    if let [inspection] = written(&berth)?.as_slice() {
        let releases: Vec<Value> = open_lockouts(&berth)?
            .into_iter()
            .map(|lockout| {
                json!({"lockout_id": lockout, "ground": "inspected_fit", "inspection_entry": inspection})
            })
            .collect();
        let file = answers(&berth, &Value::Array(releases))?;
        let lead = berth.at_work.people.last().copied().unwrap_or_default();
        berth.run(lead, &["return", CLAMP_OF_BOTH, "--releases", &file])?;
    }
    std::fs::write(&ready, "").during(format!("writing {}", ready.display()))
}

/// Enrols it, signs its people in, and lets it learn what there is.
fn sign_on(tablet: &Tablet, url: &str) -> Done {
    let folder = tablet.folder();
    std::fs::create_dir_all(folder).during(format!("making {}", folder.display()))?;
    tablet.run(tablet.first(), &["enrol", url, tablet.at_work.tablet.code])?;
    // Whoever has written something here has a key already; a newer one would end it.
    if !written(tablet)?.is_empty() {
        return Ok(());
    }
    for person in tablet.at_work.people {
        let member = crate::demo::CAST.iter().find(|member| member.key == *person);
        let email = member.map(crate::demo::Member::email).unwrap_or_default();
        tablet.run(person, &["sign-in", &email])?;
    }
    let report = tablet.run(tablet.first(), &["sync"])?;
    if report.get("reached") == Some(&Value::Bool(true)) {
        Ok(())
    } else {
        Err(Failure::new(format!("a tablet did not synchronise: {report}")))
    }
}

/// The ids of what was written on it.
fn written(tablet: &Tablet) -> Done<Vec<String>> {
    let queue = tablet.run(tablet.first(), &["queue", "--all"])?;
    Ok(texts(&queue, "items", "entry_id"))
}

/// The lock-outs that are open on the clamp, as far as it knows.
fn open_lockouts(tablet: &Tablet) -> Done<Vec<String>> {
    let listed = tablet.run(tablet.first(), &["return", CLAMP_OF_BOTH, "--list"])?;
    Ok(texts(&listed, "open_lockouts", "lockout_id"))
}

fn texts(value: &Value, list: &str, name: &str) -> Vec<String> {
    let items = value.get(list).and_then(Value::as_array).into_iter().flatten();
    items
        .filter_map(|item| item.get(name)?.as_str().map(str::to_owned))
        .collect()
}

/// Writes what a command reads, and answers where.
fn answers(tablet: &Tablet, value: &Value) -> Done<String> {
    let file = tablet.folder().join(ANSWERS);
    std::fs::write(&file, value.to_string()).during(format!("writing {}", file.display()))?;
    Ok(file.display().to_string())
}
