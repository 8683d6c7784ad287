//! Pulling: what the device knows is what the service knows, whatever breaks off.

use crate::domain::{World, day, id, kg};
use crate::support::service::{Service, refused};
use crate::support::{Device, houston, tag_out};
use clampward_domain::entry::{Received, Transferred};
use clampward_domain::ids::{ClampId, ModelId, PersonId, YardId};
use clampward_domain::reference::Revocation;
use clampward_domain::words::{CompetenceKind, LockoutReason};
use clampward_field::core::{Answer, TroubleCode};
use clampward_field::device::Named;
use clampward_field::failure::Done;
use clampward_field::mirror;
use clampward_field::session::{Asked, Question, Transport};
use clampward_wire::sync::pull::{
    ClampLine, ClampWord, ReferenceLine, SnapshotClamp, SnapshotHead, SnapshotLine, YardChanges,
};
use jiff::SignedDuration;

/// The mirror holds what the service would tell this device, field for field.
pub fn agrees(device: &Device, service: &Service) {
    let connection = device.database.connection();
    let told = service.granted_clamps();
    let (_, clamps) = mirror::numbers(connection).unwrap();
    assert_eq!(clamps, told.len() as u64);
    for (clamp, (position, state)) in told {
        let row = mirror::clamp(connection, clamp).unwrap().expect("known");
        assert_eq!((row.position, &row.state), (position, &state));
    }
    let yards: Vec<YardId> = mirror::cursors(connection).unwrap().into_keys().collect();
    assert_eq!(yards, service.granted.iter().copied().collect::<Vec<_>>());
}

fn transfer(service: &mut Service, clamp: ClampId, from: &str, to: &str) {
    let replaces = service.state(clamp).places.only().map(|(entry, _)| entry);
    service.write(
        clamp,
        from,
        "lead",
        Transferred {
            to_yard: id(to),
            replaces,
            note: None,
        },
    );
}

#[test]
fn a_new_device_takes_a_snapshot_and_then_follows() {
    let mut service = houston();
    let mut device = Device::enrolled();
    let report = device.sync(&mut service);
    assert_eq!((report.clamps, report.gained.len()), (1, 1));
    agrees(&device, &service);
    assert!(device.may_lift("hmw 0042"));
    let clamp = *service.granted_clamps().keys().next().unwrap();
    service.write(clamp, "houston", "operator", tag_out(LockoutReason::Dropped));
    device.sync(&mut service);
    assert_eq!(device.why_not("HMW-0042"), ["tagged_out"]);
    agrees(&device, &service);
}

// sync.md row 26.
#[test]
fn a_yard_that_is_gained_comes_whole_although_nothing_changed_in_it_for_long() {
    let mut service = houston();
    for n in 0..30 {
        service.clamp_in_service("erie", &format!("ERI-{n}"));
    }
    let mut device = Device::enrolled();
    device.sync(&mut service);
    service.grant("erie");
    let report = device.sync(&mut service);
    assert_eq!((report.gained, report.clamps), (vec![id("erie")], 30));
    agrees(&device, &service);
    assert!(device.may_lift("ERI-17"));
}

// sync.md row 27.
#[test]
fn a_yard_that_is_lost_takes_its_clamps_along_and_leaves_the_journal() {
    let mut service = houston();
    service.grant("erie");
    let gone = service.clamp_in_service("erie", "ERI-1");
    let mut device = Device::enrolled();
    device.sync(&mut service);
    let entries: Vec<_> = (0..10).map(|_| device.tag_out(Named::Clamp(gone)).id).collect();
    service.withdraw("erie");
    let report = device.sync(&mut service);
    assert_eq!((report.lost, report.left), (vec![id("erie")], 0));
    assert!(entries.iter().all(|entry| service.is_recorded(*entry)));
    assert_eq!(device.kept().len(), 10);
    assert_eq!(device.why_not("ERI-1"), ["unknown_clamp"]);
    agrees(&device, &service);
}

// sync.md row 27: clamps that another yard of the device has too.
#[test]
fn a_clamp_that_another_yard_has_too_stays_when_one_yard_is_lost() {
    let mut service = houston();
    service.grant("erie");
    let clamp = *service.granted_clamps().keys().next().unwrap();
    // Two transfers side by side: its place is in doubt.
    service.write(
        clamp,
        "houston",
        "lead",
        Transferred {
            to_yard: id("erie"),
            replaces: None,
            note: None,
        },
    );
    let mut device = Device::enrolled();
    device.sync(&mut service);
    assert_eq!(
        mirror::yards_of(device.database.connection(), clamp)
            .unwrap()
            .len(),
        2
    );
    service.withdraw("houston");
    device.sync(&mut service);
    agrees(&device, &service);
    assert!(device.may_lift("HMW-0042"));
}

// sync.md row 28.
#[test]
fn a_clamp_that_moves_away_is_gone_and_one_that_comes_back_within_a_page_is_there() {
    let mut service = houston();
    let clamp = *service.granted_clamps().keys().next().unwrap();
    let mut device = Device::enrolled();
    device.sync(&mut service);
    transfer(&mut service, clamp, "houston", "erie");
    transfer(&mut service, clamp, "erie", "houston");
    device.sync(&mut service);
    agrees(&device, &service);
    assert!(device.may_lift("HMW-0042"));
    transfer(&mut service, clamp, "houston", "erie");
    device.sync(&mut service);
    agrees(&device, &service);
    assert_eq!(device.why_not("HMW-0042"), ["unknown_clamp"]);
    // With both yards it is never a ghost.
    service.grant("erie");
    device.sync(&mut service);
    agrees(&device, &service);
    transfer(&mut service, clamp, "erie", "houston");
    device.sync(&mut service);
    agrees(&device, &service);
}

// sync.md row 30: rows and cursor are one transaction, so that there is no "between".
#[test]
fn a_page_is_taken_whole_or_not_at_all_and_a_page_that_does_not_follow_is_not_taken() {
    let mut service = houston();
    let clamp = *service.granted_clamps().keys().next().unwrap();
    let mut device = Device::enrolled();
    device.sync(&mut service);
    let cursors = mirror::cursors(device.database.connection()).unwrap();
    let (yard, cursor) = cursors.first_key_value().unwrap();
    service.write(clamp, "houston", "operator", tag_out(LockoutReason::Dropped));
    let mut page = None;
    let question = Question::Changes {
        cursors: vec![(*yard, cursor.clone())],
    };
    service
        .ask(&question, &mut |answer| {
            page = Some(answer);
            Ok(())
        })
        .unwrap();
    let Some(Answer::Changes(changes)) = page else {
        panic!()
    };
    let page = &changes.yards[0];
    let before = mirror::clamp(device.database.connection(), clamp)
        .unwrap()
        .unwrap();
    // Ended after the rows and before the commit.
    let failed: Done = device.database.write(|connection| {
        assert!(mirror::page(connection, page)?);
        Err(clampward_field::failure::Failure::refused("power cut"))
    });
    assert!(failed.is_err());
    let mut device = device.reopened();
    assert_eq!(
        mirror::clamp(device.database.connection(), clamp)
            .unwrap()
            .unwrap(),
        before
    );
    assert_eq!(mirror::cursors(device.database.connection()).unwrap(), cursors);
    // The same page twice: the second one follows nothing.
    let taken = |device: &mut Device| {
        device
            .database
            .write(|connection| mirror::page(connection, page))
            .unwrap()
    };
    assert!(taken(&mut device));
    assert!(!taken(&mut device));
    agrees(&device, &service);
}

// sync.md row 31.
#[test]
fn a_snapshot_that_breaks_off_at_part_3_of_9_is_taken_up_again_after_a_restart_and_counts_only_when_whole() {
    let mut service = Service::new(World::new());
    service.grant("houston");
    for n in 0..80 {
        service.clamp_in_service("houston", &format!("HOU-{n}"));
    }
    service.snapshot_part = 10;
    let mut device = Device::enrolled();
    // The connection breaks after three parts, and then for good.
    struct Breaks<'a>(&'a mut Service, bool);
    impl Transport for Breaks<'_> {
        fn ask(&mut self, question: &Question, each: &mut dyn FnMut(Answer) -> Done) -> Done<Asked> {
            match question {
                Question::Snapshot { .. } if self.1 => Ok(Asked::Lost),
                Question::Snapshot { .. } => {
                    self.1 = true;
                    self.0.breaks_after = Some(3);
                    self.0.ask(question, each)
                }
                _ => self.0.ask(question, each),
            }
        }
    }
    let clamps: Vec<ClampId> = service.granted_clamps().into_keys().collect();
    let old = device.tag_out(Named::Clamp(clamps[5])).id;
    device.sync(&mut Breaks(&mut service, false));
    let is_half_taken = |device: &Device| {
        let connection = device.database.connection();
        assert_eq!(
            mirror::numbers(connection).unwrap(),
            (0, 0),
            "partial data is never taken for whole"
        );
        assert_eq!(device.why_not("HOU-1"), ["unknown_clamp"]);
        let shadows = mirror::shadows(connection).unwrap();
        assert_eq!(shadows[&id::<YardId>("houston")].after, Some(clamps[19]));
    };
    is_half_taken(&device);
    // Weeks later, and still without a snapshot: what was acknowledged is dropped, and what was half taken is left alone.
    device.clock.pass(SignedDuration::from_hours(24 * 15));
    service.now += SignedDuration::from_hours(24 * 15);
    assert_eq!(device.kept()[0].entry_id, old);
    device.sync(&mut Breaks(&mut service, true));
    assert!(device.kept().is_empty());
    is_half_taken(&device);
    let mut device = device.reopened();
    is_half_taken(&device);
    let mut after = None;
    struct Notes<'a>(&'a mut Service, &'a mut Option<ClampId>);
    impl Transport for Notes<'_> {
        fn ask(&mut self, question: &Question, each: &mut dyn FnMut(Answer) -> Done) -> Done<Asked> {
            if let Question::Snapshot { after, .. } = question {
                *self.1 = *after;
            }
            self.0.ask(question, each)
        }
    }
    // Written meanwhile, to a clamp that was read already and to one that was not (row 32).
    service.write(clamps[0], "houston", "operator", tag_out(LockoutReason::Dropped));
    service.write(clamps[79], "houston", "operator", tag_out(LockoutReason::Dropped));
    device.sync(&mut Notes(&mut service, &mut after));
    assert_eq!(after, Some(clamps[19]), "it goes on where it broke off");
    agrees(&device, &service);
    assert_eq!(device.why_not("HOU-0"), ["tagged_out"]);
    assert_eq!(device.why_not("HOU-79"), ["tagged_out"]);
    assert_eq!(
        device.why_not("HOU-5"),
        ["tagged_out"],
        "its own, as the service tells it"
    );
    assert!(device.may_lift("HOU-40"));
}

// sync.md row 32, with the writes between the parts of one answer.
#[test]
fn what_is_written_during_a_snapshot_is_not_lost() {
    let mut service = Service::new(World::new());
    service.grant("houston");
    for n in 0..20 {
        service.clamp_in_service("houston", &format!("HOU-{n}"));
    }
    service.snapshot_part = 5;
    struct Writes(Service);
    impl Transport for Writes {
        fn ask(&mut self, question: &Question, each: &mut dyn FnMut(Answer) -> Done) -> Done<Asked> {
            let mut still = self.0.clone();
            let mut written = Vec::new();
            let outcome = still.ask(question, &mut |answer| {
                if let Answer::Snapshot(part) = &answer {
                    // Of what was just handed out, the first is tagged out at once.
                    written.extend(
                        part.lines
                            .iter()
                            .filter_map(|line| match line {
                                clampward_wire::sync::pull::SnapshotLine::Clamp(clamp) => {
                                    Some(clamp.clamp.clamp_id)
                                }
                                clampward_wire::sync::pull::SnapshotLine::Reference(_) => None,
                            })
                            .take(1),
                    );
                }
                each(answer)
            })?;
            self.0.asked = still.asked;
            for clamp in written {
                self.0
                    .write(clamp, "houston", "operator", tag_out(LockoutReason::Dropped));
            }
            Ok(outcome)
        }
    }
    let mut writes = Writes(service);
    let mut device = Device::enrolled();
    device.sync(&mut writes);
    agrees(&device, &writes.0);
    assert_eq!(device.why_not("HOU-0"), ["tagged_out"]);
}

// sync.md row 35.
#[test]
fn a_device_that_returns_after_200_days_pushes_takes_a_snapshot_and_is_at_rest() {
    let mut service = houston();
    let mut device = Device::enrolled();
    device.sync(&mut service);
    let clamp = *service.granted_clamps().keys().next().unwrap();
    let entry = device.tag_out(Named::Clamp(clamp)).id;
    transfer(&mut service, clamp, "houston", "erie");
    service.clamp_in_service("houston", "HMW-0043");
    service.floor = service.head();
    service.clamp_in_service("houston", "HMW-0044");
    let report = device.sync(&mut service);
    assert!(report.is_complete(), "{report:?}");
    assert_eq!(service.times(entry), 1);
    agrees(&device, &service);
    assert_eq!(
        device.why_not("HMW-0042"),
        ["unknown_clamp"],
        "nothing is resurrected"
    );
    let before = service.asked.len();
    assert!(!device.sync(&mut service).resynchronised);
    assert!(
        service.asked.len() - before <= 4,
        "{:?}",
        &service.asked[before..]
    );
}

// sync.md row 5.
#[test]
fn a_diverged_history_replaces_the_mirror_although_its_positions_are_lower() {
    let mut service = houston();
    let mut device = Device::enrolled();
    device.sync(&mut service);
    let backup = service.clone();
    let clamp = *service.granted_clamps().keys().next().unwrap();
    for _ in 0..20 {
        service.write(clamp, "houston", "operator", tag_out(LockoutReason::Dropped));
    }
    device.sync(&mut service);
    assert!(!device.may_lift("HMW-0042"));
    // The last twenty rows are lost with the standby, and numbers are used again.
    service.restore(&backup);
    service.epoch -= 1;
    service.clamp_in_service("houston", "HMW-0050");
    device.sync(&mut service);
    agrees(&device, &service);
    assert!(device.may_lift("HMW-0042"));
}

#[test]
fn a_cursor_that_never_holds_ends_the_run_and_not_in_a_loop() {
    struct Never(Service);
    impl Transport for Never {
        fn ask(&mut self, question: &Question, each: &mut dyn FnMut(Answer) -> Done) -> Done<Asked> {
            self.0.history += 1;
            self.0.ask(question, each)
        }
    }
    let mut never = Never(houston());
    let mut device = Device::enrolled();
    let report = device.sync(&mut never);
    assert_eq!(report.troubles[0].code, TroubleCode::NotFollowed);
    assert!(never.0.asked.len() < 15, "{:?}", never.0.asked);
}

#[test]
fn a_404_that_is_no_problem_of_the_service_drops_nothing() {
    struct Portal(Service);
    impl Transport for Portal {
        fn ask(&mut self, question: &Question, each: &mut dyn FnMut(Answer) -> Done) -> Done<Asked> {
            match question {
                Question::Changes { .. } => {
                    each(refused(404, "", "<html>Sign in to the harbour's network</html>"))?;
                    Ok(Asked::Answered)
                }
                _ => self.0.ask(question, each),
            }
        }
    }
    let mut service = houston();
    let mut device = Device::enrolled();
    device.sync(&mut service);
    let report = device.sync(&mut Portal(service));
    assert_eq!(report.troubles[0].code, TroubleCode::NotReached);
    assert!(device.may_lift("HMW-0042"));
}

// sync.md row 34, from the device's side.
#[test]
fn an_up_to_date_device_asks_little_and_its_cursor_does_not_move() {
    let mut service = houston();
    let mut device = Device::enrolled();
    device.sync(&mut service);
    let cursors = mirror::cursors(device.database.connection()).unwrap();
    for _ in 0..20 {
        device.sync(&mut service);
    }
    assert_eq!(mirror::cursors(device.database.connection()).unwrap(), cursors);
    assert_eq!(service.asked.iter().filter(|word| *word == "snapshot").count(), 1);
}

// The form of the mirror may change with a version; the journal outlives it.
#[test]
fn when_the_form_of_the_mirror_changes_it_is_filled_anew_and_the_journal_is_kept() {
    let mut service = houston();
    let mut device = Device::enrolled();
    device.sync(&mut service);
    let clamp = *service.granted_clamps().keys().next().unwrap();
    let entry = device.tag_out(Named::Clamp(clamp));
    device
        .database
        .write(|connection| clampward_field::database::set(connection, "mirror_form", &(0, 0)))
        .unwrap();
    let mut device = device.reopened();
    assert_eq!(mirror::numbers(device.database.connection()).unwrap(), (0, 0));
    assert_eq!(device.kept()[0].entry().unwrap(), entry);
    assert_eq!(device.sync(&mut service).left, 0);
    agrees(&device, &service);
    assert_eq!(service.times(entry.id), 1);
}

// The yard that it left is behind by more than a page, the one that it went to is not: its state comes before the word that
// it left, and where it is now is not told with that word.
#[test]
fn a_clamp_that_left_a_yard_with_a_backlog_is_not_kept_alive_by_that_yard() {
    let mut service = houston();
    service.grant("erie");
    let clamp = *service.granted_clamps().keys().next().unwrap();
    let other = service.clamp_in_service("houston", "HMW-0043");
    let mut device = Device::enrolled();
    device.sync(&mut service);
    service.page = 3;
    for _ in 0..4 {
        service.write(other, "houston", "lead", Received { note: None });
    }
    transfer(&mut service, clamp, "houston", "erie");
    service.write(clamp, "erie", "lead", Received { note: None });
    device.sync(&mut service);
    assert!(device.may_lift("HMW-0042"), "{:?}", device.why_not("HMW-0042"));
    agrees(&device, &service);
    let has: Vec<YardId> = mirror::yards_of(device.database.connection(), clamp)
        .unwrap()
        .iter()
        .map(|yard| yard.yard_id)
        .collect();
    assert_eq!(has, [id("erie")]);
    // It goes on to a yard that this device does not follow, and is tagged out there.
    transfer(&mut service, clamp, "erie", "leith");
    service.write(clamp, "leith", "operator", tag_out(LockoutReason::Dropped));
    device.sync(&mut service);
    assert_eq!(device.why_not("HMW-0042"), ["unknown_clamp"]);
    agrees(&device, &service);
}

#[test]
fn of_two_states_at_one_position_the_one_of_the_later_reference_version_counts() {
    let mut service = houston();
    let mut device = Device::enrolled();
    device.sync(&mut service);
    let clamp = *service.granted_clamps().keys().next().unwrap();
    let (position, fit) = service.granted_clamps()[&clamp].clone();
    // Its state by other reference data: the same rows, another word.
    service.write(clamp, "houston", "operator", tag_out(LockoutReason::Dropped));
    let barred = service.state(clamp).clone();
    let line = |reference_version, state: &clampward_domain::fold::ClampState| ClampLine {
        clamp_id: clamp,
        position,
        reference_version,
        state: Some(state.clone()),
    };
    let yard: YardId = id("houston");
    let snapshot = |line: ClampLine| {
        let head = SnapshotHead {
            cursor: "next".to_owned(),
            epoch: 1,
            reference_version: line.reference_version,
            generated_at: service.now,
            position,
            state_format: clampward_wire::sync::pull::STATE_FORMAT,
        };
        let line = SnapshotLine::Clamp(Box::new(SnapshotClamp {
            line: ClampWord::Clamp,
            cursor: None,
            clamp: line,
        }));
        (head, line)
    };
    let page = |line: ClampLine| YardChanges {
        yard_id: yard,
        from: "next".to_owned(),
        rows: Vec::new(),
        clamps: vec![line],
        reference: Vec::new(),
        next_cursor: "next".to_owned(),
        more: false,
        known_position: position,
        known_at: service.now,
        problem: None,
    };
    let (head, later) = snapshot(line(2, &barred));
    device
        .database
        .write(|connection| {
            mirror::begin(connection, yard, &head)?;
            mirror::lines(connection, yard, &[later])?;
            mirror::swap(connection, yard)
        })
        .unwrap();
    assert_eq!(device.why_not("HMW-0042"), ["tagged_out"]);
    let mut take = |line: ClampLine| {
        assert!(
            device
                .database
                .write(|connection| mirror::page(connection, &page(line)))
                .unwrap()
        );
        device.may_lift("HMW-0042")
    };
    assert!(!take(line(1, &fit)), "the earlier word does not come back");
    assert!(take(line(3, &fit)));
}

// A snapshot that was taken up again brings no reference lines anew, and a database that follows another one may be behind.
#[test]
fn reference_data_are_not_replaced_by_older_ones_however_late_these_come() {
    let mut service = houston();
    let mut device = Device::enrolled();
    device.sync(&mut service);
    let (followed, gained): (YardId, YardId) = (id("houston"), id("erie"));
    let (model_id, person_id): (ModelId, PersonId) = (id("GF-3"), id("operator"));
    let lines = |world: &World| {
        [
            ReferenceLine::Model {
                model_id,
                versions: world.reference.models[&model_id].clone(),
            },
            ReferenceLine::Person {
                person_id,
                person: world.reference.people[&person_id].clone(),
            },
        ]
    };
    let before = World::new();
    let mut after = World::new().model_from("2025-01-20T12:00Z", |model| model.wll = kg("2500"));
    after.grant(
        "operator",
        CompetenceKind::QualifiedPerson,
        None,
        "2025-01-20T12:00Z",
    );
    let cursor = mirror::cursors(device.database.connection()).unwrap()[&followed].clone();
    let page = |world: &World| YardChanges {
        yard_id: followed,
        from: cursor.clone(),
        rows: Vec::new(),
        clamps: Vec::new(),
        reference: lines(world).to_vec(),
        next_cursor: cursor.clone(),
        more: false,
        known_position: service.head(),
        known_at: service.now,
        problem: None,
    };
    let head = SnapshotHead {
        cursor: "next".to_owned(),
        epoch: 1,
        reference_version: 1,
        generated_at: service.now,
        position: service.head(),
        state_format: clampward_wire::sync::pull::STATE_FORMAT,
    };
    // How many versions of the model, and how many competences.
    let known = |device: &Device| {
        let connection = device.database.connection();
        let reference = mirror::reference_of(connection, &[], &[model_id], &[person_id]).unwrap();
        (
            reference.models[&model_id].0.len(),
            reference.people[&person_id].competences.len(),
        )
    };
    assert_eq!(known(&device), (1, 0));
    // The gained yard's snapshot breaks off after its reference lines, and is whole after the next page of the other one.
    device
        .database
        .write(|connection| {
            let told = lines(&before).map(SnapshotLine::Reference);
            mirror::begin(connection, gained, &head)?;
            mirror::lines(connection, gained, &told)?;
            assert!(mirror::page(connection, &page(&after))?);
            mirror::swap(connection, gained)
        })
        .unwrap();
    assert_eq!(known(&device), (2, 1));
    let mut take = |world: &World| {
        device
            .database
            .write(|connection| mirror::page(connection, &page(world)))
            .unwrap();
        known(&device)
    };
    assert_eq!(take(&before), (2, 1));
    // A withdrawal is no further competence, and is newer all the same.
    let mut withdrawn = after.clone();
    withdrawn.person_mut("operator").competences[0].revoked = Some(Revocation {
        from: day("2025-01-20"),
        recorded_at: service.now,
    });
    take(&withdrawn);
    take(&after);
    let connection = device.database.connection();
    let person = mirror::person(connection, person_id).unwrap().unwrap();
    assert!(person.competences[0].revoked.is_some());
    // In another history fewer changes are all that there is.
    device.database.write(mirror::other_history).unwrap();
    device
        .database
        .write(|connection| mirror::page(connection, &page(&before)))
        .unwrap();
    assert_eq!(known(&device), (1, 0));
}

/// A service of which one yard's snapshot does not come.
struct Without<'a> {
    service: &'a mut Service,
    yard: YardId,
    answer: Answer,
}

impl Transport for Without<'_> {
    fn ask(&mut self, question: &Question, each: &mut dyn FnMut(Answer) -> Done) -> Done<Asked> {
        match question {
            Question::Snapshot { yard, .. } if *yard == self.yard => {
                self.service.asked.push("refused".to_owned());
                each(self.answer.clone())?;
                Ok(Asked::Answered)
            }
            _ => self.service.ask(question, each),
        }
    }
}

#[test]
fn a_yard_whose_snapshot_does_not_come_hinders_no_other_yard() {
    let unreadable = Answer::Unreadable {
        detail: "unknown variant".to_owned(),
    };
    for (answer, code) in [
        (refused(503, "overloaded", "Busy."), TroubleCode::NotReached),
        (refused(422, "invalid-input", "No."), TroubleCode::NotReached),
        (unreadable, TroubleCode::ClientTooOld),
    ] {
        let mut service = houston();
        let clamp = *service.granted_clamps().keys().next().unwrap();
        let mut device = Device::enrolled();
        device.sync(&mut service);
        for yard in ["erie", "leith", "emden"] {
            service.grant(yard);
        }
        service.clamp_in_service("emden", "EMD-1");
        service.write(clamp, "houston", "operator", tag_out(LockoutReason::Dropped));
        // Whichever comes first among the new yards, the others come all the same.
        let bad = *[id::<YardId>("erie"), id("leith")].iter().min().unwrap();
        let report = device.sync(&mut Without {
            service: &mut service,
            yard: bad,
            answer,
        });
        assert_eq!(device.why_not("HMW-0042"), ["tagged_out"]);
        assert_ne!(device.why_not("EMD-1"), ["unknown_clamp"]);
        let followed: Vec<YardId> = mirror::cursors(device.database.connection())
            .unwrap()
            .into_keys()
            .collect();
        assert_eq!(followed.len(), 3, "{report:?}");
        assert!(!followed.contains(&bad));
        assert_eq!(report.troubles.len(), 1, "{report:?}");
        assert_eq!(report.troubles[0].code, code);
        let tries = service.asked.iter().filter(|word| *word == "refused").count();
        assert!(tries <= 5, "{tries}");
        // The next run takes it up.
        assert!(device.sync(&mut service).is_complete());
        agrees(&device, &service);
    }
}

#[test]
fn a_service_that_is_gone_is_not_tried_long_for_each_yard() {
    struct Gone(Service, u32);
    impl Transport for Gone {
        fn ask(&mut self, question: &Question, each: &mut dyn FnMut(Answer) -> Done) -> Done<Asked> {
            match question {
                Question::Snapshot { .. } => {
                    self.1 += 1;
                    Ok(Asked::Lost)
                }
                _ => self.0.ask(question, each),
            }
        }
    }
    let mut gone = Gone(houston(), 0);
    for yard in ["erie", "leith", "emden"] {
        gone.0.grant(yard);
    }
    let mut device = Device::enrolled();
    let report = device.sync(&mut gone);
    assert_eq!(report.troubles[0].code, TroubleCode::NotReached);
    assert_eq!(
        gone.1,
        5 + 3,
        "five times for the first yard, once for each other"
    );
    assert!(device.sync(&mut gone.0).is_complete());
}

/// A service whose pulls and snapshots are lost.
pub struct PushOnly<'a>(pub &'a mut Service);

impl Transport for PushOnly<'_> {
    fn ask(&mut self, question: &Question, each: &mut dyn FnMut(Answer) -> Done) -> Done<Asked> {
        match question {
            Question::Changes { .. } | Question::Snapshot { .. } => Ok(Asked::Lost),
            _ => self.0.ask(question, each),
        }
    }
}

/// A device that knows two rows more than the standby that takes over: its clamp, another one, and the standby.
pub fn ahead_of_the_standby() -> (Service, Device, ClampId, Service) {
    let mut service = houston();
    let clamp = *service.granted_clamps().keys().next().unwrap();
    let other = service.clamp_in_service("houston", "HMW-0043");
    let standby = service.clone();
    for _ in 0..2 {
        service.write(other, "houston", "lead", Received { note: None });
    }
    let mut device = Device::enrolled();
    device.sync(&mut service);
    assert!(device.may_lift("HMW-0042"));
    (service, device, clamp, standby)
}

#[test]
fn an_own_tag_out_bars_in_another_history_although_the_old_mirror_knew_its_new_position() {
    let (mut service, mut device, clamp, standby) = ahead_of_the_standby();
    let entry = device.tag_out(Named::Clamp(clamp)).id;
    device.sync(&mut PushOnly(&mut service));
    assert_eq!(device.unsent(), 0);
    // The standby takes over without it. It is offered again, and the device is ended before it pulled anything.
    service.restore(&standby);
    let report = device.sync(&mut PushOnly(&mut service));
    assert!(report.resynchronised && report.left == 0, "{report:?}");
    assert_eq!(service.times(entry), 1);
    let why = device.why_not("HMW-0042");
    assert!(why.contains(&"tagged_out".to_owned()), "{why:?}");
    // Whatever else the old mirror knows is of a history that is gone.
    assert_eq!(device.why_not("HMW-0043"), ["knowledge_too_old"]);
    assert_eq!(device.ask("HMW-0043").known_at, None);
    assert!(device.sync(&mut service).is_complete());
    agrees(&device, &service);
    assert_eq!(device.why_not("HMW-0042"), ["tagged_out"]);
    assert!(device.may_lift("HMW-0043"));
}

#[test]
fn an_own_tag_out_bars_that_was_pushed_before_anything_told_of_another_history() {
    let (mut service, mut device, clamp, standby) = ahead_of_the_standby();
    service.restore(&standby);
    service.epoch -= 1;
    // Nothing of this device was lost, so that its push is the first to hear nothing of it.
    device.tag_out(Named::Clamp(clamp));
    let report = device.sync(&mut PushOnly(&mut service));
    assert!(!report.resynchronised && report.recorded == 1, "{report:?}");
    assert_eq!(device.why_not("HMW-0042"), ["tagged_out"]);
    // Nor if the answer was lost and the entry is found there the next time.
    device.sync(&mut PushOnly(&mut service));
    assert_eq!(device.why_not("HMW-0042"), ["tagged_out"]);
    device.sync(&mut service);
    agrees(&device, &service);
    assert_eq!(device.ask("HMW-0042").own_entries, 0, "the mirror shows it now");
}

#[test]
fn a_page_without_room_for_a_yard_makes_what_is_known_of_it_no_older() {
    let mut service = houston();
    let mut device = Device::enrolled();
    device.sync(&mut service);
    let before = mirror::yard_knowledge(device.database.connection()).unwrap();
    struct NoRoom<'a>(&'a mut Service);
    impl Transport for NoRoom<'_> {
        fn ask(&mut self, question: &Question, each: &mut dyn FnMut(Answer) -> Done) -> Done<Asked> {
            self.0.ask(question, &mut |answer| match answer {
                Answer::Changes(mut changes) => {
                    for yard in &mut changes.yards {
                        yard.known_at = jiff::Timestamp::UNIX_EPOCH;
                        yard.more = true;
                    }
                    each(Answer::Changes(changes))
                }
                other => each(other),
            })
        }
    }
    device.sync(&mut NoRoom(&mut service));
    let after = mirror::yard_knowledge(device.database.connection()).unwrap();
    assert_eq!(after[0].known_at, before[0].known_at);
    assert!(device.may_lift("HMW-0042"));
}
