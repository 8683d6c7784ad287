//! Pulling: what the device knows is what the service knows, whatever breaks off.

use crate::domain::{World, id};
use crate::support::service::{Service, refused};
use crate::support::{Device, houston, tag_out};
use clampward_domain::entry::Transferred;
use clampward_domain::ids::{ClampId, YardId};
use clampward_domain::words::LockoutReason;
use clampward_field::core::{Answer, TroubleCode};
use clampward_field::device::Named;
use clampward_field::failure::Done;
use clampward_field::mirror;
use clampward_field::session::{Asked, Question, Transport};

/// The mirror holds what the service would tell this device, field for field.
fn agrees(device: &Device, service: &Service) {
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
    device.sync(&mut Breaks(&mut service, false));
    let (yards, clamps) = mirror::numbers(device.database.connection()).unwrap();
    assert_eq!((yards, clamps), (0, 0), "partial data is never taken for whole");
    assert_eq!(device.why_not("HOU-1"), ["unknown_clamp"]);
    let mut device = device.reopened();
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
    let clamps: Vec<ClampId> = service.granted_clamps().into_keys().collect();
    service.write(clamps[0], "houston", "operator", tag_out(LockoutReason::Dropped));
    service.write(clamps[79], "houston", "operator", tag_out(LockoutReason::Dropped));
    device.sync(&mut Notes(&mut service, &mut after));
    assert_eq!(after, Some(clamps[19]), "it goes on where it broke off");
    agrees(&device, &service);
    assert_eq!(device.why_not("HOU-0"), ["tagged_out"]);
    assert_eq!(device.why_not("HOU-79"), ["tagged_out"]);
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
