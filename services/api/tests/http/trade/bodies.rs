//! Bodies of entries as a program would send them.

use super::fleet::with;
use clampward_domain::criteria::{Scope, criteria};
use serde_json::{Value, json};

/// An inspection of a kind in which everything is in order, the clamp taken apart.
pub fn accepted(kind: &str) -> Value {
    let findings: Vec<Value> = criteria()
        .iter()
        .filter(|criterion| criterion.is_mandatory_in(Scope::Dismantled))
        .map(|criterion| json!({"criterion": criterion.code, "outcome": "accept"}))
        .collect();
    json!({"kind": kind, "findings": findings})
}
/// The inspection with something else said of a criterion; null takes the finding away.
pub fn finding(mut inspection: Value, criterion: &str, said: Value) -> Value {
    let findings = inspection["findings"].as_array_mut().expect("findings");
    let at = findings
        .iter()
        .position(|finding| finding["criterion"] == criterion)
        .expect("the criterion");
    if said.is_null() {
        findings.remove(at);
    } else {
        findings[at] = with(findings[at].clone(), &said);
    }
    inspection
}
/// The inspection after a repair, everything in order.
pub fn after_repair(repair: &str) -> Value {
    with(accepted("after_repair"), &json!({"after_repair_of": repair}))
}
/// An exceptional inspection made for a lock-out, the clamp taken apart, everything in order.
pub fn exceptional(reason: &str, lockout: &str) -> Value {
    let more = json!({"exceptional_reason": reason, "lockouts": [lockout], "dismantled": true,
        "no_crack_test_reason": "no load was on it, no sign of any"});
    with(accepted("exceptional"), &more)
}
/// A repair with one part of the original maker.
pub fn repair(component: &str, answers: &[&str]) -> Value {
    json!({"components": [component], "answers": answers, "work": "renewed",
        "parts": [{"component": component, "part_number": "OK-3-17", "lot": "24-11", "from_original_maker": true}]})
}
/// The repair with a part that is not of the original maker.
pub fn foreign(mut repair: Value) -> Value {
    repair["parts"][0]["part_number"] = json!("XX-9");
    repair["parts"][0]["from_original_maker"] = json!(false);
    repair
}
pub fn tag_out(reason: &str) -> Value {
    json!({"reason": reason})
}
/// One release on the ground of a repair and the inspection after it.
pub fn release(lockout: &str, ground: &str, repair: &str, inspection: &str) -> Value {
    json!({"lockout_id": lockout, "ground": ground, "repair_entry": repair, "inspection_entry": inspection})
}
/// One release on the ground of an inspection that names the lock-out.
pub fn inspected_fit(lockout: &str, inspection: &str) -> Value {
    json!({"lockout_id": lockout, "ground": "inspected_fit", "inspection_entry": inspection})
}
pub fn returning(releases: &[Value]) -> Value {
    json!({ "releases": releases })
}
/// An amendment.
pub fn amendment(cites: &str, field: &str, value: Value) -> Value {
    json!({"cites": cites, "field": field, "value": value, "reason": "looked at again"})
}

/// A bulletin about one number of a model.
pub fn bulletin_about(code: &str, model: &str, serial: &str) -> Value {
    json!({
        "code": code, "title": "Pins of one melt", "issued_by": "Ostvik Klammer", "issued_on": "2025-01-02",
        "class": "inspect_before_use", "text": "Look for bent pins before the next lift.",
        "scope": {"models": [model], "serials": {"numbers": [serial]}}, "checks": ["pin_bent"],
    })
}
