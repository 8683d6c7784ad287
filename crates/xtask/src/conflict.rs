//! `cargo xtask conflict`: two tablets wrote about the same clamp without a network. They synchronise, and what came of it is
//! told from the service's own history: what came when, what was known then, and why a rejection that comes late holds.
//!
//! Run once more, it tells the same: nothing is left to send, and the history does not change.

use crate::demo::{AT_THE_BERTH, CAST, CLAMP_OF_BOTH, IN_THE_HULL};
use crate::failure::{Done, Failure, While};
use crate::field::Tablet;
use crate::person::Person;
use crate::up;
use jiff::Timestamp;
use serde_json::Value;

/// Whose running service.
#[derive(clap::Args)]
pub struct Options {
    #[command(flatten)]
    data: up::Data,
}

/// An entry of one of the tablets, as the service has it.
struct Told {
    tablet: &'static str,
    who: String,
    what: String,
    written: Timestamp,
    arrived: Timestamp,
}

/// What the service answers about the clamp.
struct Standing {
    status: String,
    fit: bool,
    open: Vec<String>,
}

/// Synchronises both, and tells what came of it.
pub fn run(options: &Options) -> Done {
    let (url, tablets) = options.data.running()?;
    let hull = Tablet::of(IN_THE_HULL, &tablets, &url)?;
    let berth = Tablet::of(AT_THE_BERTH, &tablets, &url)?;
    let lead = Person::sign_in(&url, "lead-port-ellery").during("signing in (does `cargo xtask up` run?)")?;
    println!(
        "Two tablets of Port Ellery wrote about clamp {CLAMP_OF_BOTH} while neither had a network.\n\
         It fell from its rack and was tagged out. (All of it is invented.)\n"
    );
    // The berth comes back first, so that its return is recorded before anybody hears of the rejection.
    for (tablet, when) in [(&berth, "first"), (&hull, "then"), (&berth, "once more")] {
        let report = tablet.run(tablet.first(), &["sync"])?;
        let sent = report.get("recorded").and_then(Value::as_u64).unwrap_or(0);
        if report.get("reached") != Some(&Value::Bool(true)) {
            return Err(Failure::new(format!(
                "{} did not synchronise: {report}",
                tablet.at_work.tablet.name
            )));
        }
        println!(
            "  {:<18} synchronises {when}: {} recorded",
            tablet.at_work.tablet.name,
            match sent {
                0 => "nothing new".to_owned(),
                1 => "1 entry".to_owned(),
                more => format!("{more} entries"),
            }
        );
    }
    let history = lead.ask(&format!("/v1/clamps/{}/entries", clamp(&berth)?))?;
    let mut told = told(&history, &[&hull, &berth])?;
    told.sort_by_key(|told| told.written);
    println!("\nWhat was written, in the order in which it happened:");
    for told in &told {
        println!(
            "  {}  {:<18} {} {}; arrived {}",
            clock(told.written),
            told.tablet,
            told.who,
            told.what,
            clock(told.arrived)
        );
    }
    println!("\nWhat the service answered, in the order in which it heard:");
    let mut arrivals: Vec<Timestamp> = told.iter().map(|told| told.arrived).collect();
    arrivals.sort_unstable();
    arrivals.dedup();
    for arrived in arrivals {
        let standing = standing(&lead, &berth, Some(arrived))?;
        println!("  {}  {}", clock(arrived), standing.words());
    }
    let now = standing(&lead, &berth, None)?;
    println!("  now         {}", now.words());
    println!("\nMay it be lifted with?");
    for tablet in [&hull, &berth] {
        let answer = tablet.run(tablet.first(), &["may-lift", CLAMP_OF_BOTH])?;
        let fit = answer.get("fit") == Some(&Value::Bool(true));
        println!(
            "  {:<18} {}",
            tablet.at_work.tablet.name,
            if fit { "yes" } else { "NO" }
        );
    }
    println!("{WHY}");
    println!(
        "Ask for yourself: /v1/clamps/{}?as_of=…&known_at=…",
        clamp(&berth)?
    );
    if now.fit {
        return Err(Failure::new(
            "the clamp is fit although it was rejected: that is a fault, please report it",
        ));
    }
    Ok(())
}

/// What holds for every such conflict.
const WHY: &str = "
Why the rejection holds, although it came last:
  - It counts from when somebody stood before the clamp, not from when it arrived. The order of arrival decides nothing.
  - A return to service closes the lock-outs that it names. This one named the fall, as far as the yard lead could know; it
    does not name what was found in the hull, and nothing else closes that.
  - Nobody's competence is asked for before a rejection counts: what only restricts is recorded, whoever it comes from.
  - Between the two arrivals the service called the clamp fit: it can go by no more than it knows. Whoever lifted then is
    seen afterwards, and whoever asks now is told no.
  - The way back is the usual one: a repair by a technician, a re-inspection by somebody else, and a return that names it.

  ! This software records and reminds. Before every lift try the lock by hand, whatever a screen says: that is how this
    fault was found. The maker's instructions, the competent person and local law decide.
";

/// The clamp's id, as a tablet knows it.
fn clamp(tablet: &Tablet) -> Done<String> {
    let known = tablet.run(tablet.first(), &["clamp", CLAMP_OF_BOTH])?;
    let id = known.get("clamp_id").and_then(Value::as_str);
    id.map(str::to_owned).ok_or_else(|| {
        Failure::new(format!(
            "{CLAMP_OF_BOTH} is not known on {}",
            tablet.at_work.tablet.name
        ))
    })
}

/// The entries of the history that were written on these tablets.
fn told(history: &Value, tablets: &[&Tablet]) -> Done<Vec<Told>> {
    let mut told = Vec::new();
    for tablet in tablets {
        let queue = tablet.run(tablet.first(), &["queue", "--all"])?;
        let written: Vec<&str> = list(&queue, "items")
            .filter_map(|item| item.get("entry_id")?.as_str())
            .collect();
        for entry in list(history, "items") {
            let id = word(entry, "entry_id");
            if written.contains(&id) {
                told.push(Told {
                    tablet: tablet.at_work.tablet.name,
                    who: name(word(entry, "performed_by")),
                    what: what(entry),
                    written: instant(entry, "performed_at")?,
                    arrived: instant(entry, "recorded_at")?,
                });
            }
        }
    }
    Ok(told)
}

/// What an entry says, in words.
fn what(entry: &Value) -> String {
    let opened: Vec<String> = entry
        .pointer("/result/opened")
        .and_then(Value::as_array)
        .into_iter()
        .flatten()
        .map(reason)
        .collect();
    match (word(entry, "kind"), opened.as_slice()) {
        ("returned_to_service", _) => "returned it to service".to_owned(),
        ("inspected", []) => "took it apart and found nothing".to_owned(),
        ("inspected", found) => format!("rejected it: {}", found.join(", ")),
        (kind, _) => kind.replace('_', " "),
    }
}

/// What the service answers now, or what it answered as soon as it had heard what came at an instant.
fn standing(lead: &Person, tablet: &Tablet, at: Option<Timestamp>) -> Done<Standing> {
    let query = at.map_or_else(String::new, |at| format!("?as_of={at}&known_at={at}"));
    let clamp = lead.ask(&format!("/v1/clamps/{}{query}", clamp(tablet)?))?;
    Ok(Standing {
        status: word(&clamp, "status").replace('_', " "),
        fit: clamp.pointer("/fitness/fit") == Some(&Value::Bool(true)),
        open: list(&clamp, "open_lockouts").map(reason).collect(),
    })
}

impl Standing {
    fn words(&self) -> String {
        let fit = if self.fit { "fit" } else { "not fit" };
        if self.open.is_empty() {
            format!("{}, {fit}", self.status)
        } else {
            format!("{}, {fit} ({})", self.status, self.open.join(", "))
        }
    }
}

/// What a lock-out is for.
fn reason(lockout: &Value) -> String {
    let code = lockout.get("criterion").or_else(|| lockout.get("reason"));
    code.and_then(Value::as_str).unwrap_or_default().replace('_', " ")
}

fn name(id: &str) -> String {
    let member = CAST.iter().find(|member| member.id().to_string() == id);
    member.map_or_else(|| id.to_owned(), |member| member.name.to_owned())
}

fn list<'a>(value: &'a Value, name: &str) -> impl Iterator<Item = &'a Value> {
    value.get(name).and_then(Value::as_array).into_iter().flatten()
}

fn word<'a>(value: &'a Value, name: &str) -> &'a str {
    value.get(name).and_then(Value::as_str).unwrap_or_default()
}

fn instant(value: &Value, name: &str) -> Done<Timestamp> {
    word(value, name).parse().during(format!("reading {name}"))
}

/// The time of day, in UTC: a demonstration has no time for hours.
fn clock(at: Timestamp) -> String {
    at.strftime("%H:%M:%S%.1f").to_string()
}

#[cfg(test)]
mod tests {
    //! What entries and answers are called.

    use super::*;
    use serde_json::json;

    #[test]
    fn an_entry_is_told_by_what_it_opened() {
        let entry = |kind, opened: Value| json!({"kind": kind, "result": {"opened": opened}});
        assert_eq!(
            what(&entry("inspected", json!([{"criterion": "lock_does_not_hold"}]))),
            "rejected it: lock does not hold"
        );
        assert_eq!(
            what(&entry("inspected", json!([]))),
            "took it apart and found nothing"
        );
        assert_eq!(
            what(&entry("returned_to_service", json!([]))),
            "returned it to service"
        );
        assert_eq!(what(&entry("tagged_out", json!([]))), "tagged out");
    }

    #[test]
    fn an_answer_names_what_is_open() {
        let standing = Standing {
            status: "tagged out".to_owned(),
            fit: false,
            open: vec!["dropped".to_owned(), "lock does not hold".to_owned()],
        };
        assert_eq!(
            standing.words(),
            "tagged out, not fit (dropped, lock does not hold)"
        );
    }
}
