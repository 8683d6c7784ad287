//! A clamp's invented life, entry by entry: what the stories are told with.

use super::cast::person;
use super::yards::YardKey;
use super::{ids, models};
use clampward_domain::criteria;
use clampward_domain::entry::{
    Body, Finding, Inspected, Part, ProofTestResult, ProofTested, Registered, Release, Repaired,
    ReturnedToService, TaggedOut, Used,
};
use clampward_domain::ids::{ClampId, EntryId, LockoutId, PersonId, lockout_id};
use clampward_domain::quantity::{Length, LengthUnit, Mass, MassUnit, QuantityError};
use clampward_domain::reference::Model;
use clampward_domain::rule_set;
use clampward_domain::words::{
    Component, ExaminationBasis, ExceptionalReason, Ground, InspectionKind, LockoutReason, Outcome,
    RuleSetName, ServiceClass,
};
use jiff::{Timestamp, ToSpan};
use rust_decimal::Decimal;

/// An entry to come, at its time.
pub struct Planned {
    /// When it happens.
    pub at: Timestamp,
    /// Who records it.
    pub by: PersonId,
    /// The clamp.
    pub clamp: ClampId,
    /// Its id.
    pub id: EntryId,
    /// The fact.
    pub body: Body,
}

/// One clamp and its life so far.
pub struct Life<'a> {
    /// The company's mark.
    pub mark: String,
    /// Its id.
    pub clamp: ClampId,
    /// Where it is.
    pub yard: YardKey,
    /// Index of its model.
    pub model: usize,
    /// Its class.
    pub class: ServiceClass,
    today: Timestamp,
    details: &'a Model,
    wear: Decimal,
    /// How fast it wears, against the slowest.
    pace: Decimal,
    /// Entries in the order in which they were told.
    pub entries: Vec<Planned>,
}

/// What goes wrong while planning: a quantity out of its limits.
pub type Planning<T> = Result<T, QuantityError>;

impl<'a> Life<'a> {
    /// A clamp with a mark.
    pub fn new(
        mark: &str,
        yard: YardKey,
        model: usize,
        details: &'a Model,
        class: ServiceClass,
        today: Timestamp,
    ) -> Self {
        let clamp = ClampId::new(ids::named(&format!("clamp {mark}")));
        let wear = Decimal::new(4, 1);
        let paces = if yard.rule_set() == RuleSetName::GbLoler {
            2
        } else {
            4
        };
        let pace = Decimal::from(1 + clamp.uuid().as_u128() % paces);
        Self {
            mark: mark.to_owned(),
            clamp,
            yard,
            model,
            class,
            today,
            details,
            wear,
            pace,
            entries: Vec::new(),
        }
    }

    /// Somebody of its yard.
    pub fn someone(&self, role: &str) -> PersonId {
        person(&format!("{role}-{}", self.yard.people()))
    }

    /// A full hour of a day of its yard, so that what a day shows does not depend on when the fleet is loaded. Planned is
    /// from yesterday back: all of it is over now.
    fn at(&self, days_ago: i64, hour: i64) -> Timestamp {
        let zone = self.yard.yard().time_zone;
        let day = zone.date_at(self.today).saturating_sub(days_ago.days());
        let start = zone.start_of(day);
        start.checked_add(hour.hours()).unwrap_or(start)
    }

    fn tell(&mut self, days_ago: i64, hour: i64, by: PersonId, body: impl Into<Body>) -> EntryId {
        let at = self.at(days_ago, hour);
        let body = body.into();
        let id = EntryId::new(ids::entry(
            at,
            &format!("{} {} {}", self.mark, body.kind(), self.entries.len()),
        ));
        self.entries.push(Planned {
            at,
            by,
            clamp: self.clamp,
            id,
            body,
        });
        id
    }

    /// It becomes known.
    pub fn register(&mut self, days_ago: i64, change: impl FnOnce(&mut Registered)) -> EntryId {
        let by = self.someone("lead");
        let mut body = Registered {
            asset_mark: self.mark.clone(),
            serial_number: Some(format!(
                "{}{:04}",
                self.details.model.replace(' ', ""),
                self.serial()
            )),
            model_id: models::id(self.model),
            yard_id: self.yard.id(),
            service_class: self.class,
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
        self.tell(days_ago, 7, by, body)
    }

    fn serial(&self) -> u128 {
        self.clamp.uuid().as_u128() % 10_000
    }

    /// What the gauge reads at the shackle eye: nominal less what has worn, give or take the hand that holds it.
    fn eye(&self) -> Planning<Length> {
        let nominal = Decimal::from(models::eye_nominal(self.model));
        let worn = (nominal * (Decimal::ONE_HUNDRED - self.wear) / Decimal::ONE_HUNDRED).round_dp(2);
        let turn = ids::named(&format!("reading {} {}", self.mark, self.entries.len())).as_u128() % 7;
        let hand = Decimal::new(i64::try_from(turn).unwrap_or_default() - 3, 2);
        Length::new(worn + hand, LengthUnit::Millimetre)
    }

    fn findings(
        &self,
        kind: InspectionKind,
        reason: Option<ExceptionalReason>,
        measure: bool,
    ) -> Planning<Vec<Finding>> {
        let scope = rule_set::current(self.yard.rule_set()).scope(kind, reason);
        let mut findings: Vec<Finding> = criteria::asked(scope, Some(self.details))
            .filter(|(criterion, mandatory)| *mandatory || (measure && criterion.code == "shackle_eye_worn"))
            .map(|(criterion, _)| accept(&criterion.code))
            .collect();
        for finding in findings
            .iter_mut()
            .filter(|finding| finding.criterion == "shackle_eye_worn")
        {
            finding.measured = Some(self.eye()?);
            finding.uncertainty = Some(Length::new(Decimal::new(5, 2), LengthUnit::Millimetre)?);
        }
        Ok(findings)
    }

    fn inspection(&self, kind: InspectionKind, measure: bool) -> Planning<Inspected> {
        Ok(inspected(kind, self.findings(kind, None, measure)?))
    }

    /// A frequent inspection that finds nothing.
    pub fn frequent(&mut self, days_ago: i64, by: PersonId, measure: bool) -> Planning<EntryId> {
        let body = self.inspection(InspectionKind::Frequent, measure)?;
        Ok(self.tell(days_ago, 9, by, body))
    }

    /// A full inspection that finds nothing; in Great Britain a thorough examination.
    pub fn full(&mut self, days_ago: i64, kind: InspectionKind) -> Planning<EntryId> {
        let mut body = self.inspection(kind, true)?;
        if self.yard.rule_set() == RuleSetName::GbLoler {
            body.basis = Some(ExaminationBasis::LimbI);
            body.premises = Some("Firth Haven, slip 2 (invented)".to_owned());
            body.safe_to_operate = Some(true);
        }
        Ok(self.tell(days_ago, 10, self.someone("inspector"), body))
    }

    /// An inspection that rejects one criterion.
    pub fn reject(
        &mut self,
        days_ago: i64,
        criterion: &str,
        change: impl FnOnce(&mut Finding),
    ) -> Planning<LockoutId> {
        let mut body = self.inspection(InspectionKind::Frequent, criterion == "shackle_eye_worn")?;
        let known = body
            .findings
            .iter()
            .position(|finding| finding.criterion == criterion);
        let mut finding = known.map_or_else(|| accept(criterion), |index| body.findings.remove(index));
        finding.outcome = Outcome::Reject;
        change(&mut finding);
        body.findings.push(finding);
        let entry = self.tell(days_ago, 11, self.someone("inspector"), body);
        Ok(lockout_id(entry, criterion, ""))
    }

    /// Somebody tags it out.
    pub fn tag_out(&mut self, days_ago: i64, by: PersonId, reason: LockoutReason, note: &str) -> LockoutId {
        let body = TaggedOut {
            reason,
            note: Some(note.to_owned()),
            photos: Vec::new(),
            bulletin: None,
            lift_check: None,
        };
        let entry = self.tell(days_ago, 12, by, body);
        lockout_id(entry, reason.code(), "")
    }

    /// A repair that answers lock-outs.
    pub fn repair(
        &mut self,
        days_ago: i64,
        answers: &[LockoutId],
        component: Component,
        part: &str,
        original: bool,
    ) -> EntryId {
        let part = Part {
            component,
            part_number: part.to_owned(),
            lot: Some(format!("L{days_ago}")),
            from_original_maker: original,
        };
        let body = Repaired {
            components: vec![component],
            answers: answers.to_vec(),
            parts: vec![part],
            work: format!(
                "renewed: {part_name}",
                part_name = component.code().replace('_', " ")
            ),
            statement_document: None,
        };
        if component == Component::Shackle {
            self.wear = Decimal::new(1, 1);
        }
        self.tell(days_ago, 13, self.someone("technician"), body)
    }

    /// A proof test at exactly 125 % of WLL, after a repair.
    pub fn proof_test(&mut self, days_ago: i64) -> Planning<EntryId> {
        let load = Decimal::from(models::wll_kg(self.model)) * Decimal::new(125, 2);
        let body = ProofTested {
            load: Mass::new(load, MassUnit::Kilogram)?,
            result: ProofTestResult::Passed,
            certificate_number: Some(format!("PT-{}-{days_ago}", self.mark)),
            document: None,
            maker_document: None,
        };
        Ok(self.tell(days_ago, 14, self.someone("technician"), body))
    }

    /// The re-inspection after a repair, by the inspector.
    pub fn reinspect(&mut self, days_ago: i64, repair: EntryId) -> Planning<EntryId> {
        let mut body = self.inspection(InspectionKind::AfterRepair, true)?;
        body.after_repair_of = Some(repair);
        if self.yard.rule_set() == RuleSetName::GbLoler {
            body.basis = Some(ExaminationBasis::LimbIv);
            body.safe_to_operate = Some(true);
        }
        Ok(self.tell(days_ago, 15, self.someone("inspector"), body))
    }

    /// An exceptional inspection that names a lock-out without a finding, taken apart.
    pub fn examine(
        &mut self,
        days_ago: i64,
        reason: ExceptionalReason,
        lockout: LockoutId,
    ) -> Planning<EntryId> {
        let mut body = inspected(
            InspectionKind::Exceptional,
            self.findings(InspectionKind::Exceptional, Some(reason), true)?,
        );
        body.exceptional_reason = Some(reason);
        body.lockouts = vec![lockout];
        body.dismantled = Some(true);
        body.no_crack_test_reason = Some("looked at with a lens after cleaning; no indication".to_owned());
        Ok(self.tell(days_ago, 15, self.someone("inspector"), body))
    }

    /// The yard lead returns it to service after a repair.
    pub fn release_repaired(
        &mut self,
        days_ago: i64,
        lockout: LockoutId,
        repair: EntryId,
        inspection: EntryId,
        proof_test: Option<EntryId>,
    ) -> EntryId {
        let release = |lockout_id, ground| Release {
            lockout_id,
            ground,
            repair_entry: Some(repair),
            inspection_entry: Some(inspection),
            proof_test_entry: proof_test,
            correction_entry: None,
            maker_document: None,
            statement: None,
        };
        let not_reinspected = lockout_id(repair, LockoutReason::NotReinspected.code(), "");
        let releases = vec![
            release(lockout, Ground::Repaired),
            release(not_reinspected, Ground::Reinspected),
        ];
        self.tell(days_ago, 16, self.someone("lead"), ReturnedToService { releases })
    }

    /// The yard lead returns it to service after an exceptional inspection.
    pub fn release_inspected(
        &mut self,
        days_ago: i64,
        lockout_id: LockoutId,
        inspection: EntryId,
    ) -> EntryId {
        let releases = vec![Release {
            lockout_id,
            ground: Ground::InspectedFit,
            repair_entry: None,
            inspection_entry: Some(inspection),
            proof_test_entry: None,
            correction_entry: None,
            maker_document: None,
            statement: None,
        }];
        self.tell(days_ago, 16, self.someone("lead"), ReturnedToService { releases })
    }

    /// Anything else.
    pub fn other(&mut self, days_ago: i64, hour: i64, by: PersonId, body: impl Into<Body>) -> EntryId {
        self.tell(days_ago, hour, by, body)
    }

    /// Regular inspections and uses from one day to another (days ago, the later is smaller), the last one close to
    /// its end.
    pub fn routine(&mut self, from: i64, to: i64) -> Planning<()> {
        let every = if self.class == ServiceClass::Severe { 7 } else { 26 };
        let full_every = match (self.yard.rule_set(), self.class) {
            (RuleSetName::GbLoler, _) => 170,
            (_, ServiceClass::Severe) => 85,
            (_, ServiceClass::Heavy) => 175,
            (_, ServiceClass::Normal | ServiceClass::Special) => 355,
        };
        let uses_every = if self.yard == YardKey::PortEllery { 14 } else { 28 };
        let inspector = self.someone("inspector");
        let mut last_full = from;
        let mut last_frequent = from;
        for day in (to..from).rev() {
            if last_full - day >= full_every {
                self.wear += Decimal::new(5, 2) * self.pace;
                self.full(day, InspectionKind::Periodic)?;
                last_full = day;
                last_frequent = day;
            } else if last_frequent - day >= every {
                self.wear += Decimal::new(if every == 7 { 2 } else { 8 }, 2) * self.pace;
                self.frequent(day, inspector, (day / every) % 3 == 0)?;
                last_frequent = day;
            }
            if (from - day) % uses_every == 0 {
                self.used(day, uses_every)?;
            }
        }
        Ok(())
    }

    fn used(&mut self, days_ago: i64, days: i64) -> Planning<()> {
        let share = Decimal::new(
            if self.class == ServiceClass::Normal {
                55
            } else {
                85
            },
            2,
        );
        let heaviest = Decimal::from(models::wll_kg(self.model)) * share;
        let from = self.at(days_ago + days - 1, 8);
        let lifts = u32::try_from(self.serial() % 40)
            .unwrap_or_default()
            .saturating_add(12);
        let body = Used {
            from,
            lifts,
            heaviest_load: Some(Mass::new(heaviest, MassUnit::Kilogram)?),
            mean_load: Some(Mass::new(
                (heaviest / Decimal::TWO).round_dp(1),
                MassUnit::Kilogram,
            )?),
            abnormal_conditions: Vec::new(),
            against_stop: Vec::new(),
        };
        self.tell(days_ago, 17, self.someone("operator"), body);
        Ok(())
    }
}

fn inspected(kind: InspectionKind, findings: Vec<Finding>) -> Inspected {
    Inspected {
        inspection_kind: kind,
        findings,
        after_repair_of: None,
        lockouts: Vec::new(),
        bulletin: None,
        exceptional_reason: None,
        dismantled: None,
        crack_tested: None,
        no_crack_test_reason: None,
        basis: None,
        next_latest_date: None,
        premises: None,
        safe_to_operate: None,
    }
}

fn accept(criterion: &str) -> Finding {
    Finding {
        criterion: criterion.to_owned(),
        outcome: Outcome::Accept,
        grade: None,
        by_date: None,
        measured: None,
        uncertainty: None,
        place: None,
        put_right: None,
        note: None,
        photos: Vec::new(),
    }
}
