//! Questions to a history, where answers change, and what the domain answers.

use crate::moments::{DAY, day_at, instant, trying};
use crate::walk::Walk;
use clampward_domain::calendar::Interval;
use clampward_domain::schedule::DueDate;
use clampward_domain::standing::{Standing, standing};
use serde_json::{Value, json};

/// Questions for each history, about.
const QUESTIONS: i64 = 14;

/// The whole history as one line.
pub fn history(walk: &mut Walk) -> Value {
    let candidates = candidates(walk);
    let mut queries = Vec::new();
    for _ in 0..QUESTIONS {
        let at = walk.chance.pick(&candidates);
        let known = walk
            .entries
            .partition_point(|entry| entry.counted_at <= instant(at));
        if known > 0 {
            let answer = standing(&walk.states[known - 1], &walk.world.reference, instant(at));
            queries.push(json!({ "at": at, "answer": bare(&answer) }));
        }
    }
    let mut line = walk.world.json.clone();
    line.insert("seed".to_owned(), json!(walk.seed));
    line.insert("facts".to_owned(), json!(walk.facts));
    line.insert("queries".to_owned(), queries.into());
    line.into()
}

/// Instants worth asking about: around every end the domain names, idle gaps, barring instants, odd clocks, and any.
fn candidates(walk: &mut Walk) -> Vec<i64> {
    let first = walk.entries[0].counted_at.as_second();
    let last = walk.entries[walk.entries.len() - 1].counted_at.as_second();
    let zone = walk.zone();
    let mut edges = walk.barring_instants();
    for (index, state) in walk.states.iter().enumerate() {
        let at = walk.entries[index].counted_at;
        let until = walk
            .entries
            .get(index + 1)
            .map_or(i64::MAX, |next| next.counted_at.as_second());
        let told = standing(state, &walk.world.reference, at);
        let ends = [told.due.frequent, told.due.periodic]
            .into_iter()
            .flatten()
            .map(|due| due.ends_at);
        let idle =
            [Interval::Months(1), Interval::Months(12)].map(|gap| zone.start_of(gap.after(zone.date_at(at))));
        let named = ends.chain(told.fit_until).chain(idle).map(|end| end.as_second());
        edges.extend(named.filter(|end| *end <= until));
        edges.push(at.as_second());
    }
    let mut all: Vec<i64> = edges
        .iter()
        .flat_map(|edge| [edge - 1, *edge, edge + 1])
        .collect();
    for _ in 0..8 {
        let near = walk.chance.between(first, last + 400 * DAY);
        all.push(near);
        all.push(trying(&mut walk.chance, &zone, near));
    }
    for edge in edges {
        all.push(zone.start_of(day_at(&zone, edge)).as_second());
    }
    all
}

fn bare(answer: &Standing) -> Value {
    let due = |one: &Option<DueDate>| {
        one.as_ref()
            .map(|due| json!({ "on": due.on, "ends_at": due.ends_at.as_second(), "rule": due.rule }))
    };
    let mut reasons: Vec<&str> = answer.reasons.iter().map(|reason| reason.code.code()).collect();
    reasons.sort_unstable();
    reasons.dedup();
    json!({ "fit": answer.fit, "status": answer.status, "reasons": reasons, "frequent": due(&answer.due.frequent),
        "periodic": due(&answer.due.periodic), "fit_until": answer.fit_until.map(|end| end.as_second()) })
}
