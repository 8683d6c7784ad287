//! A clamp's history, entry by entry. Each method answers the id of the entry that it wrote.

use super::{World, answer, at, complete, id};
use clampward_domain::entry::{
    Amended, Body, Classified, Confirmed, Direction, Entry, Inspected, Issued, JudgedBy, Part,
    ProofTestResult, ProofTested, Registered, Release, Repaired, Retired, ReturnedToService, TaggedOut,
    Transferred, Used,
};
use clampward_domain::fold::{ClampState, Evidence, fold};
use clampward_domain::ids::{ClampId, EntryId, LockoutId, lockout_id};
use clampward_domain::judge::{Judgement, RefusalCode, judge};
use clampward_domain::quantity::Mass;
use clampward_domain::returns::UnmetCode;
use clampward_domain::standing::{Standing, standing};
use clampward_domain::words::{
    AmendmentField, Component, ExceptionalReason, FitnessReason, Ground, InspectionKind, LockoutReason,
    Outcome, RuleSetName, ServiceClass,
};
use std::collections::BTreeMap;
use uuid::Uuid;

/// What a yard wrote down about one clamp.
#[derive(Clone)]
pub struct History {
    pub world: World,
    pub clamp: ClampId,
    pub entries: Vec<Entry>,
    judged_by: JudgedBy,
    next: u128,
}

/// The state after a set of entries.
pub fn state_of(world: &World, clamp: ClampId, entries: &[Entry]) -> ClampState {
    fold(clamp, entries, &world.reference)
}

/// A release that cites nothing yet.
pub fn release(lockout: LockoutId, ground: Ground) -> Release {
    Release {
        lockout_id: lockout,
        ground,
        repair_entry: None,
        inspection_entry: None,
        proof_test_entry: None,
        correction_entry: None,
        maker_document: None,
        statement: None,
    }
}

impl History {
    /// Nothing is known yet; entries will be judged by this yard.
    pub fn new(world: World, yard: &str) -> Self {
        let rule_set = world.reference.yards[&id(yard)].0[0].value.rule_set;
        Self {
            world,
            clamp: id("clamp"),
            entries: Vec::new(),
            judged_by: JudgedBy {
                yard_id: id(yard),
                yard_version: 1,
                rule_set,
                rule_set_version: 1,
                model_id: id("GF-3"),
                model_version: 1,
            },
            next: 0x0190_0000_0000_7000_8000_0000_0000_0000,
        }
    }
    /// Registered on 2 January 2025 in a yard, class normal, and accepted the day after.
    pub fn in_service(world: World, yard: &str) -> Self {
        let mut history = Self::new(world, yard);
        history.registered("2025-01-02T15:00Z", |_| {});
        history.accepted("2025-01-03T15:00Z", "inspector", InspectionKind::Initial);
        history
    }
    pub fn rule_set(&self) -> RuleSetName {
        self.judged_by.rule_set
    }
    /// Later entries are judged by this yard.
    pub fn now_in(&mut self, yard: &str) {
        self.judged_by.yard_id = id(yard);
        self.judged_by.rule_set = self.world.reference.yards[&id(yard)].0[0].value.rule_set;
    }
    /// Later entries are judged by these versions of yard and model.
    pub fn by_versions(&mut self, yard_version: u32, model_version: u32) {
        self.judged_by.yard_version = yard_version;
        self.judged_by.model_version = model_version;
    }
    /// Writes an entry.
    pub fn write(&mut self, when: &str, by: &str, body: impl Into<Body>) -> EntryId {
        self.next += 1;
        let entry = Entry {
            id: EntryId::new(Uuid::from_u128(self.next)),
            clamp_id: self.clamp,
            performed_at: at(when),
            counted_at: at(when),
            performed_by: id(by),
            device_id: None,
            judged_by: self.judged_by.clone(),
            signed: true,
            placed: false,
            body: body.into(),
        };
        self.entries.push(entry);
        self.entries.last().unwrap().id
    }
    pub fn entry(&self, id: EntryId) -> &Entry {
        self.entries.iter().find(|entry| entry.id == id).unwrap()
    }
    pub fn entry_mut(&mut self, id: EntryId) -> &mut Entry {
        self.entries.iter_mut().find(|entry| entry.id == id).unwrap()
    }
    pub fn inspection_mut(&mut self, id: EntryId) -> &mut Inspected {
        match &mut self.entry_mut(id).body {
            Body::Inspected(inspected) => inspected,
            other => panic!("{:?} is no inspection", other.kind()),
        }
    }
    pub fn repair_mut(&mut self, id: EntryId) -> &mut Repaired {
        match &mut self.entry_mut(id).body {
            Body::Repaired(repaired) => repaired,
            other => panic!("{:?} is no repair", other.kind()),
        }
    }
    pub fn releases_mut(&mut self, id: EntryId) -> &mut Vec<Release> {
        match &mut self.entry_mut(id).body {
            Body::ReturnedToService(returned) => &mut returned.releases,
            other => panic!("{:?} is no return", other.kind()),
        }
    }
    /// As if it had never been recorded.
    pub fn forget(&mut self, id: EntryId) {
        self.entries.retain(|entry| entry.id != id);
    }

    pub fn registered(&mut self, when: &str, change: impl FnOnce(&mut Registered)) -> EntryId {
        let mut body = Registered {
            asset_mark: "HMW-0042".to_owned(),
            serial_number: Some("7741".to_owned()),
            model_id: id("GF-3"),
            yard_id: self.judged_by.yard_id,
            service_class: ServiceClass::Normal,
            direction: None,
            manufactured_on: None,
            put_into_service_on: None,
            never_used_before: None,
            declaration: None,
            examination_scheme: None,
            wll: None,
            jaw_opening: None,
        };
        change(&mut body);
        self.write(when, "lead", body)
    }
    /// A complete inspection of this kind under the yard's rule set.
    pub fn complete(&self, kind: InspectionKind) -> Inspected {
        self.complete_for(kind, None)
    }
    pub fn complete_for(&self, kind: InspectionKind, reason: Option<ExceptionalReason>) -> Inspected {
        let models = &self.world.reference.models[&id("GF-3")];
        let model = models.numbered(self.judged_by.model_version).unwrap();
        complete(self.judged_by.rule_set, Some(&model.value), kind, reason)
    }
    pub fn accepted(&mut self, when: &str, by: &str, kind: InspectionKind) -> EntryId {
        let body = self.complete(kind);
        self.write(when, by, body)
    }
    /// A thorough examination.
    pub fn examined(&mut self, when: &str, change: impl FnOnce(&mut Inspected)) -> EntryId {
        let mut body = self.complete(InspectionKind::Periodic);
        body.basis = Some(clampward_domain::words::ExaminationBasis::LimbI);
        change(&mut body);
        self.write(when, "inspector", body)
    }
    /// A complete frequent inspection that rejects one criterion; answers the lock-out.
    pub fn rejected(&mut self, when: &str, by: &str, criterion: &str) -> LockoutId {
        let mut body = self.complete(InspectionKind::Frequent);
        answer(&mut body, criterion).outcome = Outcome::Reject;
        lockout_id(self.write(when, by, body), criterion, "")
    }
    pub fn tagged_out(&mut self, when: &str, by: &str, reason: LockoutReason) -> LockoutId {
        let body = TaggedOut {
            reason,
            note: None,
            photos: Vec::new(),
            bulletin: None,
            lift_check: None,
        };
        lockout_id(self.write(when, by, body), reason.code(), "")
    }
    /// A repair with a part of the original maker.
    pub fn repaired(&mut self, when: &str, by: &str, component: Component, answers: &[LockoutId]) -> EntryId {
        let body = Repaired {
            components: vec![component],
            answers: answers.to_vec(),
            parts: vec![Part {
                component,
                part_number: "GF3-017".to_owned(),
                lot: Some("A23".to_owned()),
                from_original_maker: true,
            }],
            work: "renewed".to_owned(),
            statement_document: None,
        };
        self.write(when, by, body)
    }
    pub fn reinspected(&mut self, when: &str, by: &str, repair: EntryId) -> EntryId {
        let mut body = self.complete(InspectionKind::AfterRepair);
        body.after_repair_of = Some(repair);
        self.write(when, by, body)
    }
    /// An exceptional inspection that names lock-outs.
    pub fn inspected_for(
        &mut self,
        when: &str,
        by: &str,
        reason: ExceptionalReason,
        lockouts: &[LockoutId],
    ) -> EntryId {
        let mut body = self.complete_for(InspectionKind::Exceptional, Some(reason));
        body.lockouts = lockouts.to_vec();
        self.write(when, by, body)
    }
    pub fn proof_tested(&mut self, when: &str, load: Mass, result: ProofTestResult) -> EntryId {
        let body = ProofTested {
            load,
            result,
            certificate_number: None,
            document: None,
            maker_document: None,
        };
        self.write(when, "technician", body)
    }
    pub fn returned(&mut self, when: &str, by: &str, releases: Vec<Release>) -> EntryId {
        self.write(when, by, ReturnedToService { releases })
    }
    pub fn confirmed(&mut self, when: &str, by: &str, confirms: EntryId) -> EntryId {
        self.write(when, by, Confirmed { confirms })
    }
    pub fn amended(
        &mut self,
        when: &str,
        by: &str,
        cites: EntryId,
        field: AmendmentField,
        value: serde_json::Value,
    ) -> EntryId {
        let body = Amended {
            cites,
            field,
            value,
            reason: "written down wrongly".to_owned(),
            document: Some("plate.jpg".to_owned()),
        };
        self.write(when, by, body)
    }
    pub fn transferred(&mut self, when: &str, to: &str, replaces: Option<EntryId>) -> EntryId {
        let body = Transferred {
            to_yard: id(to),
            replaces,
            note: None,
        };
        self.write(when, "lead", body)
    }
    pub fn classified(
        &mut self,
        when: &str,
        by: &str,
        service_class: ServiceClass,
        replaces: Option<EntryId>,
        direction: Option<Direction>,
    ) -> EntryId {
        let body = Classified {
            service_class,
            replaces,
            direction,
        };
        self.write(when, by, body)
    }
    pub fn used(&mut self, from: &str, until: &str, change: impl FnOnce(&mut Used)) -> EntryId {
        let mut body = Used {
            from: at(from),
            lifts: 12,
            heaviest_load: Some(super::kg("1500")),
            mean_load: None,
            abnormal_conditions: Vec::new(),
            against_stop: Vec::new(),
        };
        change(&mut body);
        self.write(until, "operator", body)
    }
    pub fn issued(&mut self, when: &str, to: &str) -> EntryId {
        let body = Issued {
            issued_to: Some(id(to)),
            issued_to_name: None,
        };
        self.write(when, "operator", body)
    }
    pub fn retired(&mut self, when: &str) -> EntryId {
        let body = Retired {
            reason: "body plate cracked".to_owned(),
            made_unusable: Some("cut through".to_owned()),
            witness: Some("yard lead".to_owned()),
        };
        self.write(when, "safety", body)
    }

    /// The lock-out that every repair opens.
    pub fn not_reinspected(&self, repair: EntryId) -> LockoutId {
        lockout_id(repair, "not_reinspected", "")
    }

    pub fn state(&self) -> ClampState {
        state_of(&self.world, self.clamp, &self.entries)
    }
    pub fn standing(&self, when: &str) -> Standing {
        standing(&self.state(), &self.world.reference, at(when))
    }
    pub fn is_fit(&self, when: &str) -> bool {
        self.standing(when).fit
    }
    /// Why it is not fit.
    pub fn reasons(&self, when: &str) -> Vec<FitnessReason> {
        self.standing(when)
            .reasons
            .iter()
            .map(|reason| reason.code)
            .collect()
    }
    /// What the open lock-outs are about.
    pub fn open(&self) -> Vec<String> {
        let state = self.state();
        state
            .open_lockouts()
            .iter()
            .map(|lockout| lockout.what().to_owned())
            .collect()
    }
    pub fn is_open(&self, lockout: LockoutId) -> bool {
        self.state().lockouts[&lockout].is_open()
    }
    /// The judgement of an entry against everything else that is known.
    pub fn judge(&self, entry: EntryId) -> Judgement {
        let mut before = self.clone();
        before.forget(entry);
        let evidence: Evidence = before
            .entries
            .iter()
            .map(|entry| (entry.id, entry.clone()))
            .collect::<BTreeMap<_, _>>();
        judge(
            &before.state(),
            &self.state(),
            self.entry(entry),
            &evidence,
            &self.world.reference,
        )
    }
    pub fn refusals(&self, entry: EntryId) -> Vec<RefusalCode> {
        self.judge(entry)
            .refusals
            .iter()
            .map(|refusal| refusal.code)
            .collect()
    }
    /// Codes of the conditions of a return that do not hold, each once.
    pub fn unmet(&self, entry: EntryId) -> Vec<UnmetCode> {
        let judgement = self.judge(entry);
        let mut codes: Vec<_> = judgement
            .refusals
            .iter()
            .flat_map(|refusal| &refusal.unmet)
            .map(|unmet| unmet.code)
            .collect();
        codes.sort_unstable();
        codes.dedup();
        codes
    }
}
