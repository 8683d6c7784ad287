//! The way back into service: repair, re-inspection, return; now and then with a fault that leaves it unsupported.

use crate::look::Look;
use crate::moments::instant;
use crate::walk::Walk;
use clampward_domain::criteria;
use clampward_domain::entry::{Part, Release, Repaired, ReturnedToService};
use clampward_domain::lockout::Lockout;
use clampward_domain::words::{Component, ExceptionalReason, Ground, InspectionKind, LockoutReason, Remedy};
use serde_json::{Value, json};

impl Walk {
    /// A lock-out as bare JSON: the fact that opened it, and for what.
    pub fn name(&self, lockout: &Lockout) -> Value {
        json!([self.opener(lockout), lockout.what()])
    }
    fn opener(&self, lockout: &Lockout) -> usize {
        self.entries
            .iter()
            .position(|entry| entry.id == lockout.opened_by_entry)
            .unwrap()
    }
    fn open(&self) -> Vec<Lockout> {
        let state = self.states.last();
        state.map_or_else(Vec::new, |state| {
            state.open_lockouts().into_iter().cloned().collect()
        })
    }

    pub fn come_back(&mut self) {
        let open = self.open();
        let answered: Vec<Lockout> = open.iter().filter(|one| needs_repair(one)).cloned().collect();
        if !answered.is_empty() {
            self.repair(&answered);
            self.pass(3);
        }
        let mut releases = Vec::new();
        let mut bare = Vec::new();
        let careless = self.chance.percent(8);
        for lockout in self.open() {
            let repair = if lockout.reason == Some(LockoutReason::NotReinspected) {
                Some(self.opener(&lockout))
            } else if needs_repair(&lockout) {
                self.facts.iter().rposition(|fact| fact["kind"] == "repaired")
            } else if lockout.reason.is_none() {
                continue; // no remedy: scrap
            } else {
                None
            };
            let inspection = self.look_again(repair, &lockout);
            let ground = match (repair, lockout.reason) {
                (None, _) => Ground::InspectedFit,
                (Some(_), Some(LockoutReason::NotReinspected)) => Ground::Reinspected,
                (Some(_), _) if careless => Ground::Repaired,
                (Some(_), _) => {
                    if is_repairable(&lockout) {
                        Ground::Repaired
                    } else {
                        Ground::Restored
                    }
                }
            };
            if self.chance.percent(3) {
                continue; // forgotten
            }
            bare.push(json!({ "lockout": self.name(&lockout), "ground": ground, "repair": repair, "inspection": inspection }));
            releases.push(Release {
                lockout_id: lockout.id,
                ground,
                repair_entry: repair.map(|number| self.entries[number].id),
                inspection_entry: Some(self.entries[inspection].id),
                proof_test_entry: None,
                correction_entry: None,
                maker_document: None,
                statement: None,
            });
        }
        if releases.is_empty() {
            return;
        }
        self.pass(2);
        let by = self
            .chance
            .pick(&["sal", "sal", "sal", "yara", "yara", "yara", "theo", "quinn"]);
        self.record(
            by,
            ReturnedToService { releases }.into(),
            json!({ "releases": bare }),
        );
    }

    fn repair(&mut self, answered: &[Lockout]) {
        let mut components: Vec<_> = answered.iter().map(|one| one.component).collect();
        components.dedup();
        if self.chance.percent(5) {
            components.truncate(1);
        } else if self.chance.percent(9) {
            components = vec![Component::Lock];
        }
        let original = !self.chance.percent(12);
        let statement = !self.chance.percent(10);
        let names: Vec<Value> = answered.iter().map(|one| self.name(one)).collect();
        let bare = json!({ "components": components, "answers": names, "original_parts": original, "statement": statement });
        let part = Part {
            component: components[0],
            part_number: "GF-3-17".to_owned(),
            lot: Some("L1".to_owned()),
            from_original_maker: original,
        };
        let body = Repaired {
            components,
            answers: answered.iter().map(|one| one.id).collect(),
            parts: vec![part],
            work: "renewed".to_owned(),
            statement_document: statement.then(|| "statement".to_owned()),
        };
        let by = self.chance.pick(&[
            "theo", "theo", "theo", "theo", "theo", "theo", "theo", "dan", "yara",
        ]);
        self.record(by, body.into(), bare);
    }

    /// The inspection that a release rests on: one that cites the repair, or one made for the lock-out.
    fn look_again(&mut self, repair: Option<usize>, lockout: &Lockout) -> usize {
        let since = repair.unwrap_or_else(|| self.opener(lockout));
        let made = self.facts.iter().rposition(|fact| {
            fact["kind"] == "inspected" && repair.is_some() && fact["cites"] == json!(repair)
        });
        if let Some(made) = made
            && made > since
            && self.chance.percent(90)
        {
            return made;
        }
        self.now += self.chance.between(60, 30_000);
        let by = self
            .chance
            .pick(&["quinn", "quade", "quade", "quade", "quinn", "theo", "dan"]);
        let clean = self.chance.percent(93);
        let hasty = self.chance.percent(8);
        let reason = lockout.reason.map(|reason| match reason {
            _ if hasty => ExceptionalReason::Precaution,
            LockoutReason::Dropped => ExceptionalReason::Drop,
            LockoutReason::ShockSuspected => ExceptionalReason::Shock,
            LockoutReason::Precaution => ExceptionalReason::Precaution,
            _ => ExceptionalReason::Overload,
        });
        match repair {
            Some(_) => self.look(Look {
                kind: InspectionKind::AfterRepair,
                by,
                reason: None,
                cites: repair,
                lockouts: Vec::new(),
                clean,
            }),
            None => {
                let lockouts = vec![lockout.clone()];
                self.look(Look {
                    kind: InspectionKind::Exceptional,
                    by,
                    reason,
                    cites: None,
                    lockouts,
                    clean,
                })
            }
        }
    }

    /// Whether a lock-out is open.
    pub fn is_barred(&self) -> bool {
        !self.open().is_empty()
    }

    /// When open lock-outs begin to bar: where questions are worth asking.
    pub fn barring_instants(&self) -> Vec<i64> {
        let far = instant(crate::moments::DAY * 365 * 200);
        self.open()
            .iter()
            .filter(|one| one.bars_from < far)
            .map(|one| one.bars_from.as_second())
            .collect()
    }
}

fn remedies(lockout: &Lockout) -> &'static [Remedy] {
    lockout
        .criterion
        .as_deref()
        .and_then(criteria::criterion)
        .map_or(&[], |criterion| criterion.remedies.as_slice())
}
fn is_repairable(lockout: &Lockout) -> bool {
    remedies(lockout).contains(&Remedy::Repair)
}
fn needs_repair(lockout: &Lockout) -> bool {
    lockout.reason == Some(LockoutReason::ForeignPart)
        || remedies(lockout).iter().any(|remedy| *remedy != Remedy::None)
}
