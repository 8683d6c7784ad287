//! Random clamps: reference data and sets of entries, small enough to fold ten thousand times.
//!
//! Half of what happens comes as stories (a defect and its way back, with or without a flaw), so that returns really
//! close something; the rest is thrown in without regard to what makes sense.

use crate::support::{World, complete, finding, id, kg, mm, release};
use clampward_domain::calendar::Interval;
use clampward_domain::criteria::criteria;
use clampward_domain::entry::{
    Amended, Body, Classified, Confirmed, Declaration, Direction, Entry, Inspected, Issued, JudgedBy, Part,
    ProofTestResult, ProofTested, Registered, Repaired, Retired, ReturnedToService, TaggedOut, Transferred,
    Used,
};
use clampward_domain::ids::{ClampId, EntryId, LockoutId, ModelId, lockout_id};
use clampward_domain::words::{
    AmendmentField, Component, ExaminationBasis, ExceptionalReason, Grade, Ground, InspectionKind,
    LockoutReason, Outcome, ProofTestPolicy, RuleSetName, ServiceClass,
};
use jiff::{Timestamp, ToSpan};
use proptest::collection::vec;
use proptest::prelude::*;
use uuid::Uuid;

/// Criteria of the random model; the others are switched off, for speed.
const ASKED: [&str; 8] = [
    "shackle_eye_worn",
    "body_distorted",
    "body_plate_cracked",
    "lock_does_not_hold",
    "shock_load_suspected",
    "slide_sleeve_worn",
    "lock_slot_dimpled",
    "crack_indication",
];
const PEOPLE: [&str; 8] = [
    "inspector",
    "other_inspector",
    "designated",
    "technician",
    "all_round",
    "lead",
    "safety",
    "operator",
];
const YARD_CODES: [&str; 4] = ["houston", "erie", "leith", "emden"];
/// Start of every random history.
pub const START: &str = "2024-01-30T23:30:00Z";

/// A random clamp.
#[derive(Clone, Debug)]
pub struct Case {
    pub world: World,
    pub clamp: ClampId,
    pub entries: Vec<Entry>,
}

impl std::fmt::Debug for World {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let yards = self.reference.yards.values().map(|versions| &versions.0[0].value);
        f.debug_list()
            .entries(yards.map(|yard| (&yard.code, yard.proof_test_policy, yard.records_use)))
            .finish()
    }
}

/// What every entry has.
#[derive(Clone, Copy, Debug)]
pub struct Frame {
    /// Minutes after the start.
    minute: u32,
    person: usize,
    yard: usize,
    /// Whether it is judged by a yard where the clamp was, or by whichever.
    at_home: bool,
    signed: bool,
    placed: bool,
}

/// Something that happened.
#[derive(Clone, Debug)]
pub enum Op {
    Inspect {
        frame: Frame,
        kind: InspectionKind,
        reason: Option<ExceptionalReason>,
        flaw: Option<(usize, Outcome, Option<Grade>)>,
        millimetres: Option<u8>,
        thorough: bool,
    },
    TagOut {
        frame: Frame,
        reason: LockoutReason,
    },
    Repair {
        frame: Frame,
        original: bool,
        answers: usize,
    },
    ProofTest {
        frame: Frame,
        kilograms: u16,
        passed: bool,
    },
    Return {
        frame: Frame,
        picks: Vec<(usize, Ground, usize, usize)>,
    },
    Confirm {
        frame: Frame,
        target: usize,
    },
    Transfer {
        frame: Frame,
        to: usize,
        replaces: Option<usize>,
    },
    Classify {
        frame: Frame,
        class: ServiceClass,
        replaces: Option<usize>,
        each_use: bool,
    },
    Use {
        frame: Frame,
        minutes: u32,
        kilograms: u16,
    },
    Issue {
        frame: Frame,
        to: usize,
    },
    Amend {
        frame: Frame,
        target: usize,
        field: AmendmentField,
    },
    Retire {
        frame: Frame,
    },
    /// Rejected, repaired, re-inspected, returned; `late` shifts one of the four by minutes.
    Mended {
        frame: Frame,
        criterion: usize,
        gaps: [u16; 3],
        late: Option<(usize, u16)>,
        foreign: bool,
        whole: bool,
    },
    /// Tagged out, inspected by name, returned.
    Cleared {
        frame: Frame,
        reason: LockoutReason,
        gaps: [u16; 2],
        late: Option<(usize, u16)>,
    },
    /// Entered in error: corrected, inspected, returned, confirmed.
    Erred {
        frame: Frame,
        gaps: [u16; 4],
        late: Option<(usize, u16)>,
    },
}

fn frame() -> impl Strategy<Value = Frame> {
    // Few distinct minutes of few years, so that equal times and long gaps both come up.
    let minute = prop_oneof![
        0u32..200,
        0u32..60_000,
        0u32..900_000,
        (0u32..40).prop_map(|day| day * 1440)
    ];
    (
        minute,
        0..PEOPLE.len(),
        0..YARD_CODES.len(),
        prop::bool::weighted(0.85),
        prop::bool::weighted(0.93),
        prop::bool::weighted(0.03),
    )
        .prop_map(|(minute, person, yard, at_home, signed, placed)| Frame {
            minute,
            person,
            yard,
            at_home,
            signed,
            placed,
        })
}

fn reason() -> impl Strategy<Value = LockoutReason> {
    prop::sample::select(vec![
        LockoutReason::Dropped,
        LockoutReason::Precaution,
        LockoutReason::EveryLiftCheckFailed,
        LockoutReason::ShockSuspected,
        LockoutReason::IncidentHold,
        LockoutReason::Held,
    ])
}

fn op() -> impl Strategy<Value = Op> {
    let pick = 0usize..24;
    let gap = 1u16..3000;
    let late = || prop::option::weighted(0.35, (0usize..5, 1u16..5000));
    prop_oneof![
        4 => (frame(), prop::sample::select(InspectionKind::ALL), prop::option::of(prop::sample::select(ExceptionalReason::ALL)),
              prop::option::weighted(0.3, (0..ASKED.len(), prop::sample::select(Outcome::ALL), prop::option::of(prop::sample::select(Grade::ALL)))),
              prop::option::weighted(0.5, 260u16..310), any::<bool>())
            .prop_map(|(frame, kind, reason, flaw, tenths, thorough)| Op::Inspect {
                frame, kind, reason, flaw,
                millimetres: tenths.map(|tenths| u8::try_from(tenths - 200).unwrap()), thorough }),
        2 => (frame(), reason()).prop_map(|(frame, reason)| Op::TagOut { frame, reason }),
        2 => (frame(), prop::bool::weighted(0.8), pick.clone()).prop_map(|(frame, original, answers)| Op::Repair { frame, original, answers }),
        1 => (frame(), 3000u16..4200, prop::bool::weighted(0.8)).prop_map(|(frame, kilograms, passed)| Op::ProofTest { frame, kilograms, passed }),
        2 => (frame(), vec((pick.clone(), prop::sample::select(Ground::ALL), pick.clone(), pick.clone()), 1..3))
            .prop_map(|(frame, picks)| Op::Return { frame, picks }),
        1 => (frame(), pick.clone()).prop_map(|(frame, target)| Op::Confirm { frame, target }),
        1 => (frame(), 0..YARD_CODES.len(), prop::option::of(pick.clone())).prop_map(|(frame, to, replaces)| Op::Transfer { frame, to, replaces }),
        1 => (frame(), prop::sample::select(ServiceClass::ALL), prop::option::of(pick.clone()), any::<bool>())
            .prop_map(|(frame, class, replaces, each_use)| Op::Classify { frame, class, replaces, each_use }),
        3 => (frame(), 1u32..50_000, 1000u16..3300).prop_map(|(frame, minutes, kilograms)| Op::Use { frame, minutes, kilograms }),
        1 => (frame(), 0..PEOPLE.len()).prop_map(|(frame, to)| Op::Issue { frame, to }),
        1 => (frame(), pick, prop::sample::select(AmendmentField::ALL)).prop_map(|(frame, target, field)| Op::Amend { frame, target, field }),
        1 => frame().prop_map(|frame| Op::Retire { frame }),
        4 => (frame(), 0usize..4, [gap.clone(), gap.clone(), gap.clone()], late(), prop::bool::weighted(0.1), prop::bool::weighted(0.8))
            .prop_map(|(frame, criterion, gaps, late, foreign, whole)| Op::Mended { frame, criterion, gaps, late, foreign, whole }),
        3 => (frame(), reason(), [gap.clone(), gap.clone()], late()).prop_map(|(frame, reason, gaps, late)| Op::Cleared { frame, reason, gaps, late }),
        1 => (frame(), [gap.clone(), gap.clone(), gap.clone(), gap], late()).prop_map(|(frame, gaps, late)| Op::Erred { frame, gaps, late }),
    ]
}

/// Random reference data.
pub fn world() -> impl Strategy<Value = World> {
    (
        prop::sample::select(ProofTestPolicy::ALL),
        any::<[bool; 4]>(),
        prop::option::of(0u32..400),
        prop::option::of(0u32..400),
        prop::bool::weighted(0.2),
    )
        .prop_map(|(policy, flags, yard_change, model_change, revoked)| {
            let mut world = World::new().model(|model| {
                let switched_off = criteria().iter().map(|criterion| criterion.code.clone());
                model.without_criteria = switched_off
                    .filter(|code| !ASKED.contains(&code.as_str()))
                    .collect();
            });
            // What it turns out to be where an amendment names another model.
            world = world.other_model("GF-4", |_| {});
            for (code, flag) in YARD_CODES.into_iter().zip(flags) {
                world = world.yard(code, |yard| {
                    yard.records_use = flag;
                    yard.proof_test_policy = if flag {
                        policy
                    } else {
                        ProofTestPolicy::NotRequired
                    };
                });
            }
            if let Some(days) = yard_change {
                let from = instant(days * 1440).to_string();
                world = world.yard_from("houston", &from, |yard| {
                    yard.rule_set = RuleSetName::GbLoler;
                    yard.intervals
                        .frequent
                        .insert(ServiceClass::Normal, Interval::Days(10));
                });
            }
            if let Some(days) = model_change {
                let from = instant(days * 1440).to_string();
                world = world.model_from(&from, |model| {
                    let intervals = model.inspection_intervals.get_or_insert_default();
                    intervals
                        .periodic
                        .insert(ServiceClass::Normal, Interval::Months(2));
                });
            }
            if revoked {
                let record = &mut world.person_mut("other_inspector").competences[0];
                record.revoked = Some(clampward_domain::reference::Revocation {
                    from: crate::support::day("2024-06-01"),
                    recorded_at: crate::support::at("2024-07-01T00:00Z"),
                });
            }
            world
        })
}

/// A random clamp: registered, mostly inspected, then whatever happens.
pub fn case() -> impl Strategy<Value = Case> {
    (
        world(),
        0..YARD_CODES.len(),
        prop::sample::select(ServiceClass::ALL),
        prop::bool::weighted(0.9),
        vec(op(), 0..7),
    )
        .prop_map(|(world, yard, class, inspected, ops)| {
            let mut writer = Writer {
                world,
                entries: Vec::new(),
                places: vec![yard],
                lockouts: Vec::new(),
                next: 0,
            };
            let frame = Frame {
                minute: 0,
                person: 5,
                yard,
                at_home: true,
                signed: true,
                placed: false,
            };
            writer.register(frame, class);
            if inspected {
                let frame = Frame {
                    minute: 60,
                    person: 0,
                    ..frame
                };
                let mut body = writer.complete(frame, InspectionKind::Initial, None);
                body.basis = Some(ExaminationBasis::LimbI);
                writer.write(frame, body);
            }
            for op in &ops {
                writer.happen(op);
            }
            Case {
                world: writer.world,
                clamp: id("clamp"),
                entries: writer.entries,
            }
        })
}

/// An instant so many minutes after the start.
pub fn instant(minute: u32) -> Timestamp {
    let start: Timestamp = START.parse().unwrap();
    start + i64::from(minute).minutes()
}

struct Writer {
    world: World,
    entries: Vec<Entry>,
    /// The yards where it was, as it is written down.
    places: Vec<usize>,
    lockouts: Vec<LockoutId>,
    next: u128,
}

impl Writer {
    fn write(&mut self, frame: Frame, body: impl Into<Body>) -> EntryId {
        let body = body.into();
        // Scattered ids, so that their order says nothing; forty-odd entries never clash.
        self.next += 1;
        let id = EntryId::new(Uuid::from_u128(
            self.next.wrapping_mul(0x9e37_79b9_7f4a_7c15_f39c_c060_5ced_c835),
        ));
        let yard = crate::support::id(self.yard(frame));
        let rule_set = self.world.reference.yards[&yard].0[0].value.rule_set;
        self.entries.push(Entry {
            id,
            clamp_id: crate::support::id("clamp"),
            performed_at: instant(frame.minute),
            counted_at: instant(frame.minute),
            performed_by: crate::support::id(PEOPLE[frame.person]),
            device_id: None,
            judged_by: JudgedBy {
                yard_id: yard,
                yard_version: 1,
                rule_set,
                rule_set_version: 1,
                model_id: crate::support::id("GF-3"),
                model_version: 1,
            },
            signed: frame.signed,
            placed: frame.placed,
            body,
        });
        id
    }
    /// The code of the yard by which an entry is judged.
    fn yard(&self, frame: Frame) -> &'static str {
        let yard = if frame.at_home {
            self.places[frame.yard % self.places.len()]
        } else {
            frame.yard
        };
        YARD_CODES[yard]
    }
    fn any_entry(&self, pick: usize) -> EntryId {
        self.entries[pick % self.entries.len()].id
    }
    fn any_lockout(&self, pick: usize) -> LockoutId {
        match self.lockouts.len() {
            0 => lockout_id(self.any_entry(pick), "shackle_eye_worn", ""),
            known => self.lockouts[pick % known],
        }
    }
    fn complete(&self, frame: Frame, kind: InspectionKind, reason: Option<ExceptionalReason>) -> Inspected {
        let yard = &self.world.reference.yards[&id(self.yard(frame))].0[0].value;
        let model = &self.world.reference.models[&id("GF-3")].0[0].value;
        complete(yard.rule_set, Some(model), kind, reason)
    }
    fn register(&mut self, frame: Frame, service_class: ServiceClass) {
        let body = Registered {
            asset_mark: "HMW-0042".to_owned(),
            serial_number: Some("7741".to_owned()),
            model_id: id("GF-3"),
            yard_id: id(YARD_CODES[frame.yard]),
            service_class,
            direction: Some(directed(frame.yard < 2)),
            manufactured_on: None,
            put_into_service_on: None,
            never_used_before: Some(true),
            declaration: Some(Declaration {
                made_on: crate::support::day("2023-06-01"),
                document: None,
            }),
            examination_scheme: None,
            wll: None,
            jaw_opening: None,
        };
        self.write(frame, body);
    }
    fn repair(
        &mut self,
        frame: Frame,
        component: Component,
        original: bool,
        answers: Vec<LockoutId>,
    ) -> EntryId {
        let part = Part {
            component,
            part_number: "17".to_owned(),
            lot: None,
            from_original_maker: original,
        };
        let repair = self.write(
            frame,
            Repaired {
                components: vec![component],
                answers,
                parts: vec![part],
                work: "renewed".to_owned(),
                statement_document: Some("statement.pdf".to_owned()),
            },
        );
        self.lockouts.push(lockout_id(repair, "not_reinspected", ""));
        repair
    }

    fn happen(&mut self, op: &Op) {
        match op {
            Op::Inspect {
                frame,
                kind,
                reason,
                flaw,
                millimetres,
                thorough,
            } => {
                let mut body = self.complete(*frame, *kind, *reason);
                if let Some((index, outcome, grade)) = flaw {
                    body.findings.retain(|finding| finding.criterion != ASKED[*index]);
                    let mut found = finding(ASKED[*index], *outcome);
                    found.grade = *grade;
                    found.by_date = Some(crate::support::day("2024-09-01"));
                    body.findings.push(found);
                }
                if let Some(tenths) = millimetres {
                    let eye = crate::support::answer(&mut body, "shackle_eye_worn");
                    eye.measured = Some(mm(&format!("{}.{}", 20 + tenths / 10, tenths % 10)));
                }
                body.basis = thorough.then_some(ExaminationBasis::LimbI);
                body.lockouts = self.lockouts.clone();
                let entry = self.write(*frame, body);
                if let Some((index, ..)) = flaw {
                    self.lockouts.push(lockout_id(entry, ASKED[*index], ""));
                }
            }
            Op::TagOut { frame, reason } => {
                self.tag_out(*frame, *reason);
            }
            Op::Repair {
                frame,
                original,
                answers,
            } => {
                let answers = vec![self.any_lockout(*answers)];
                self.repair(*frame, Component::Shackle, *original, answers);
            }
            Op::ProofTest {
                frame,
                kilograms,
                passed,
            } => {
                let result = if *passed {
                    ProofTestResult::Passed
                } else {
                    ProofTestResult::Failed
                };
                self.write(
                    *frame,
                    ProofTested {
                        load: kg(&kilograms.to_string()),
                        result,
                        certificate_number: None,
                        document: None,
                        maker_document: None,
                    },
                );
            }
            Op::Return { frame, picks } => {
                let releases = picks.iter().map(|(lockout, ground, repair, inspection)| {
                    let mut one = release(self.any_lockout(*lockout), *ground);
                    one.repair_entry = Some(self.any_entry(*repair));
                    one.inspection_entry = Some(self.any_entry(*inspection));
                    one
                });
                let releases = releases.collect();
                self.write(*frame, ReturnedToService { releases });
            }
            Op::Confirm { frame, target } => {
                let confirms = self.any_entry(*target);
                self.write(*frame, Confirmed { confirms });
            }
            Op::Transfer { frame, to, replaces } => {
                let replaces = replaces.map(|pick| self.any_entry(pick));
                self.places.push(*to);
                self.write(
                    *frame,
                    Transferred {
                        to_yard: id(YARD_CODES[*to]),
                        replaces,
                        note: None,
                    },
                );
            }
            Op::Classify {
                frame,
                class,
                replaces,
                each_use,
            } => {
                let replaces = replaces.map(|pick| self.any_entry(pick));
                self.write(
                    *frame,
                    Classified {
                        service_class: *class,
                        replaces,
                        direction: Some(directed(*each_use)),
                    },
                );
            }
            Op::Use {
                frame,
                minutes,
                kilograms,
            } => {
                self.write(
                    *frame,
                    Used {
                        from: instant(frame.minute.saturating_sub(*minutes)),
                        lifts: 3,
                        heaviest_load: Some(kg(&kilograms.to_string())),
                        mean_load: None,
                        abnormal_conditions: Vec::new(),
                        against_stop: Vec::new(),
                    },
                );
            }
            Op::Issue { frame, to } => {
                self.write(
                    *frame,
                    Issued {
                        issued_to: Some(id(PEOPLE[*to])),
                        issued_to_name: None,
                    },
                );
            }
            Op::Amend { frame, target, field } => {
                let cites = self.any_entry(*target);
                self.amend(*frame, cites, *field);
            }
            Op::Retire { frame } => {
                self.write(
                    *frame,
                    Retired {
                        reason: "worn".to_owned(),
                        made_unusable: None,
                        witness: None,
                    },
                );
            }
            Op::Mended {
                frame,
                criterion,
                gaps,
                late,
                foreign,
                whole,
            } => {
                self.mended(*frame, *criterion, *gaps, *late, *foreign, *whole);
            }
            Op::Cleared {
                frame,
                reason,
                gaps,
                late,
            } => self.cleared(*frame, *reason, *gaps, *late),
            Op::Erred { frame, gaps, late } => self.erred(*frame, *gaps, *late),
        }
    }

    fn tag_out(&mut self, frame: Frame, reason: LockoutReason) -> LockoutId {
        let body = TaggedOut {
            reason,
            note: None,
            photos: Vec::new(),
            bulletin: None,
            lift_check: None,
        };
        let lockout = lockout_id(self.write(frame, body), reason.code(), "");
        self.lockouts.push(lockout);
        lockout
    }
    fn amend(&mut self, frame: Frame, cites: EntryId, field: AmendmentField) -> EntryId {
        self.write(
            frame,
            Amended {
                cites,
                field,
                value: match field {
                    AmendmentField::ModelId => serde_json::json!(id::<ModelId>("GF-4")),
                    _ => serde_json::json!("7742"),
                },
                reason: "written down wrongly".to_owned(),
                document: Some("plate.jpg".to_owned()),
            },
        )
    }
    fn mended(
        &mut self,
        frame: Frame,
        criterion: usize,
        gaps: [u16; 3],
        late: Option<(usize, u16)>,
        foreign: bool,
        whole: bool,
    ) {
        let times = times(frame.minute, &gaps, late);
        let step = |index: usize, person| Frame {
            minute: times[index],
            person,
            signed: true,
            placed: false,
            ..frame
        };
        let criterion = ASKED[criterion];
        let mut body = self.complete(step(0, 2), InspectionKind::Frequent, None);
        crate::support::answer(&mut body, criterion).outcome = Outcome::Reject;
        let lockout = lockout_id(self.write(step(0, 2), body), criterion, "");
        self.lockouts.push(lockout);
        let component = clampward_domain::criteria::criterion(criterion)
            .unwrap()
            .component;
        let repair = self.repair(step(1, 3), component, !foreign, vec![lockout]);
        let mut body = self.complete(step(2, 0), InspectionKind::AfterRepair, None);
        body.after_repair_of = Some(repair);
        let inspection = self.write(step(2, 0), body);
        let ground = if criterion == "body_distorted" {
            Ground::Restored
        } else {
            Ground::Repaired
        };
        let mut of_finding = release(lockout, ground);
        (of_finding.repair_entry, of_finding.inspection_entry) = (Some(repair), Some(inspection));
        let mut of_repair = release(lockout_id(repair, "not_reinspected", ""), Ground::Reinspected);
        of_repair.inspection_entry = Some(inspection);
        let releases = if whole {
            vec![of_finding, of_repair]
        } else {
            vec![of_repair]
        };
        self.write(step(3, 5), ReturnedToService { releases });
    }
    fn cleared(&mut self, frame: Frame, reason: LockoutReason, gaps: [u16; 2], late: Option<(usize, u16)>) {
        let times = times(frame.minute, &gaps, late);
        let step = |index: usize, person| Frame {
            minute: times[index],
            person,
            signed: true,
            placed: false,
            ..frame
        };
        let lockout = self.tag_out(step(0, 7), reason);
        let mut body = self.complete(
            step(1, 0),
            InspectionKind::Exceptional,
            Some(ExceptionalReason::Shock),
        );
        body.lockouts = vec![lockout];
        let inspection = self.write(step(1, 0), body);
        let mut fit = release(lockout, Ground::InspectedFit);
        fit.inspection_entry = Some(inspection);
        self.write(step(2, 5), ReturnedToService { releases: vec![fit] });
    }
    fn erred(&mut self, frame: Frame, gaps: [u16; 4], late: Option<(usize, u16)>) {
        let times = times(frame.minute, &gaps, late);
        let step = |index: usize, person| Frame {
            minute: times[index],
            person,
            signed: true,
            placed: false,
            ..frame
        };
        let lockout = self.tag_out(step(0, 7), LockoutReason::Held);
        let opened_by = self.entries[self.entries.len() - 1].id;
        let correction = self.amend(step(1, 6), opened_by, AmendmentField::EnteredInError);
        let mut body = self.complete(step(2, 0), InspectionKind::Periodic, None);
        body.lockouts = vec![lockout];
        let inspection = self.write(step(2, 0), body);
        let mut wrong = release(lockout, Ground::EnteredInError);
        (wrong.correction_entry, wrong.inspection_entry) = (Some(correction), Some(inspection));
        let returned = self.write(
            step(3, 6),
            ReturnedToService {
                releases: vec![wrong],
            },
        );
        self.write(step(4, 5), Confirmed { confirms: returned });
    }
}

/// The steps of a story in order, one of them perhaps told with a later time.
fn times(start: u32, gaps: &[u16], late: Option<(usize, u16)>) -> Vec<u32> {
    let mut times = vec![start];
    for gap in gaps {
        times.push(times[times.len() - 1] + u32::from(*gap));
    }
    if let Some((step, by)) = late
        && let Some(time) = times.get_mut(step)
    {
        *time += u32::from(by);
    }
    times
}

fn directed(each_use: bool) -> Direction {
    Direction {
        each_use: Some(each_use),
        frequent: (!each_use).then_some(Interval::Days(20)),
        periodic: (!each_use).then_some(Interval::Months(5)),
    }
}
