//! `tag-out` and `use`, and what every recording shares: finding the clamp, writing, saying what it came to.

use super::Desk;
use super::person::{Author, Signing, author};
use super::say::cautions;
use crate::device::{self, Fact, Named};
use crate::failure::{Done, Failure};
use crate::mirror::{self, ClampRow};
use crate::offline::{self, Known};
use crate::random::id;
use clampward_domain::entry::{Body, Entry, TaggedOut, Used};
use clampward_domain::fold::Evidence;
use clampward_domain::ids::EntryId;
use clampward_domain::judge::{Outcome, judge};
use clampward_domain::quantity::Mass;
use clampward_domain::words::{AbnormalCondition, LockoutReason, StopKind};
use clampward_wire::sync::push::PushEntry;
use clap::Args;
use jiff::Timestamp;
use serde_json::{Value, json};

/// Arguments of `tag-out`.
#[derive(Args)]
pub(super) struct TagOut {
    /// The mark on the clamp.
    mark: String,
    /// Why: dropped, shock_suspected, overload_suspected, incident_hold, unaccounted_for, precaution, …
    #[arg(long)]
    reason: LockoutReason,
    /// In your words.
    #[arg(long)]
    note: Option<String>,
}

/// Arguments of `use`.
#[derive(Args)]
pub(super) struct Use {
    /// The mark on the clamp.
    mark: String,
    /// Number of lifts.
    #[arg(long)]
    lifts: u32,
    /// Start of the period (RFC 3339); its end is now.
    #[arg(long)]
    from: Timestamp,
    /// Heaviest load, for example "1500 kg".
    #[arg(long, value_parser = mass)]
    heaviest_load: Option<Mass>,
    /// Mean load.
    #[arg(long, value_parser = mass)]
    mean_load: Option<Mass>,
    /// heat, corrosion or dust.
    #[arg(long = "abnormal")]
    abnormal_conditions: Vec<AbnormalCondition>,
    /// The stop against which it was used: tension, thickness, kind_of_lift, tilt, other.
    #[arg(long)]
    against_stop: Vec<StopKind>,
}

/// A number and its unit as people write them.
pub(super) fn number_and_unit(text: &str) -> (String, String) {
    let text = text.trim();
    let split = text
        .find(|character: char| !(character.is_ascii_digit() || character == '.' || character == '-'))
        .unwrap_or(text.len());
    let (value, unit) = text.split_at(split);
    let unit = match unit.trim() {
        "lb" => "[lb_av]",
        "short ton" => "[ston_av]",
        "long ton" => "[lton_av]",
        "in" => "[in_i]",
        "ft" => "[ft_i]",
        other => other,
    };
    (value.trim().to_owned(), unit.to_owned())
}

fn mass(text: &str) -> Result<Mass, String> {
    let (value, unit) = number_and_unit(text);
    Mass::parse(&value, &unit).map_err(|error| error.to_string())
}

/// The clamps that bear a mark and are alive, as the mirror has them.
pub(super) fn bearers(desk: &Desk<'_>, mark: &str) -> Done<Vec<ClampRow>> {
    let rows = mirror::bearing(desk.database.connection(), mark)?;
    let (live, retired): (Vec<_>, Vec<_>) = rows.into_iter().partition(|row| !row.retired);
    Ok(if live.is_empty() { retired } else { live })
}

/// The one clamp that bears a mark.
pub(super) fn bearer(desk: &Desk<'_>, mark: &str) -> Done<ClampRow> {
    let mut rows = bearers(desk, mark)?;
    match (rows.pop(), rows.is_empty()) {
        (Some(row), true) => Ok(row),
        (Some(_), false) => Err(Failure::refused(format!(
            "more than one clamp bears the mark {mark}: have the yard lead tell them apart"
        ))),
        (None, _) => Err(Failure::refused(format!(
            "this device knows no clamp of mark {mark}: read it again, or synchronise; `tag-out` needs no more than the mark"
        ))),
    }
}

/// What was written, and what it comes to as far as this device knows.
pub(super) struct Told {
    pub(super) entry: PushEntry,
    pub(super) outcome: Option<Outcome>,
}

/// Writes a fact about a clamp: on the disk when this returns.
pub(super) fn tell(
    desk: &mut Desk<'_>,
    row: Option<ClampRow>,
    mark: &str,
    author: &Author,
    body: Body,
) -> Done<Told> {
    let moment = desk.host.clock.moment();
    let at = device::now(desk.database.connection(), &moment)?.at();
    let known = row
        .map(|row| offline::known(desk.database.connection(), row, Some(author.person.person_id)))
        .transpose()?;
    let fact = Fact {
        id: EntryId::new(id(desk.host.random, moment.wall)?),
        clamp: known.as_ref().map_or_else(
            || Named::Mark(mark.to_owned()),
            |known| Named::Clamp(known.row.clamp_id),
        ),
        performed_by: author.person.person_id,
        judged_by: known
            .as_ref()
            .and_then(|known| offline::versions(known, at))
            .map(Into::into),
        body,
    };
    let entry = device::tell(&mut desk.database, fact, author.key.as_ref(), desk.host.clock)?;
    let outcome = known.and_then(|known| outcome(&known, &entry, at));
    Ok(Told { entry, outcome })
}

/// What an entry comes to, by the rules that the service will use.
fn outcome(known: &Known, entry: &PushEntry, at: Timestamp) -> Option<Outcome> {
    let domain: Entry = offline::as_domain_entry(known, entry, at)?;
    let before = offline::with_own_for_judging(known, at);
    let mut after = before.clone();
    after.apply(&domain, &Evidence::new(), &known.reference);
    Some(judge(&before, &after, &domain, &Evidence::new(), &known.reference).outcome)
}

/// What a kind of entry says besides.
#[derive(Default)]
pub(super) struct More {
    /// As data.
    pub(super) fields: Value,
    /// In words.
    pub(super) words: String,
}

/// What is said of an entry that was kept.
pub(super) fn kept(desk: &Desk<'_>, told: &[Told], author: &Author, mark: &str, more: More) -> Done<bool> {
    let fit = offline::judge(desk.database.connection(), mark, &desk.host.clock.moment())?;
    let first = told.first();
    let mut value = json!({
        "kept": told.iter().map(|told| told.entry.id).collect::<Vec<_>>(),
        "device_seq": first.map(|told| told.entry.device_seq),
        "signed": author.key.is_some(),
        "unsigned_because": author.unsigned,
        "outcome": first.map(|told| &told.outcome),
        "fit": fit.fit,
        "reasons": fit.reasons,
        "unsent": crate::journal::unsent(desk.database.connection())?,
    });
    if let (Some(fields), Value::Object(more)) = (value.as_object_mut(), more.fields) {
        fields.extend(more);
    }
    desk.say(&value, || {
        let mut text = String::new();
        for told in told {
            text += &format!(
                "Kept on this device as number {}{}.\n",
                told.entry.device_seq,
                match &author.key {
                    Some(_) => format!(", signed by {}", author.person.name),
                    None => String::new(),
                }
            );
            if !more.words.is_empty() {
                text += &format!("{}\n", more.words);
            }
            if let Some(outcome) = &told.outcome {
                text += &words(outcome);
            }
        }
        if let Some(why) = &author.unsigned {
            text += &format!("  ! {why}\n");
        }
        text += &super::say::fitness(&fit);
        text + &cautions()
    });
    Ok(true)
}

/// An outcome in words.
fn words(outcome: &Outcome) -> String {
    let mut text = String::new();
    if let Some(verdict) = outcome.verdict {
        text += &format!("  Verdict: {}.\n", format!("{verdict:?}").to_lowercase());
    }
    for opened in &outcome.opened {
        let what = opened
            .criterion
            .clone()
            .or_else(|| opened.reason.map(|reason| reason.to_string()))
            .unwrap_or_default();
        text += &format!("  Opens a lock-out: {}.\n", what.replace('_', " "));
    }
    for why in &outcome.not_credited {
        text += &format!("  Not credited, as far as this device knows: {}\n", why.detail);
    }
    for remark in &outcome.remarks {
        text += &format!("  {}\n", remark.detail);
    }
    text
}

/// `tag-out`: never refused for want of knowledge. Where several clamps bear the mark, all of them are tagged out.
pub(super) fn tag_out(desk: &mut Desk<'_>, arguments: TagOut) -> Done<bool> {
    let author = author(desk, Signing::Preferred)?;
    let body = Body::from(TaggedOut {
        reason: arguments.reason,
        note: arguments.note,
        photos: Vec::new(),
        bulletin: None,
        lift_check: None,
    });
    let rows = bearers(desk, &arguments.mark)?;
    let mut told = Vec::new();
    if rows.is_empty() {
        told.push(tell(desk, None, &arguments.mark, &author, body)?);
    } else {
        for row in rows {
            told.push(tell(desk, Some(row), &arguments.mark, &author, body.clone())?);
        }
    }
    kept(desk, &told, &author, &arguments.mark, More::default())
}

/// `use`: a fact, so always recorded.
pub(super) fn use_clamp(desk: &mut Desk<'_>, arguments: Use) -> Done<bool> {
    let author = author(desk, Signing::Preferred)?;
    let row = bearer(desk, &arguments.mark)?;
    let body = Body::from(Used {
        // The service reads microseconds and nothing finer.
        from: Timestamp::from_microsecond(arguments.from.as_microsecond()).unwrap_or(arguments.from),
        lifts: arguments.lifts,
        heaviest_load: arguments.heaviest_load,
        mean_load: arguments.mean_load,
        abnormal_conditions: arguments.abnormal_conditions,
        against_stop: arguments.against_stop,
    });
    let told = tell(desk, Some(row), &arguments.mark, &author, body)?;
    kept(desk, &[told], &author, &arguments.mark, More::default())
}
