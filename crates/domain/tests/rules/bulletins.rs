//! What releases a clamp that a safety bulletin holds. Source: the project's rules of the trade, common practice.
//!
//! Method: a history in which everything is in order, then one change. The broken condition is named, and nothing is
//! closed.

use crate::support::{History, World, id, release};
use clampward_domain::bulletin::{BulletinClass, BulletinRemedy, SerialRange, Serials};
use clampward_domain::entry::{Body, Release};
use clampward_domain::ids::{EntryId, LockoutId};
use clampward_domain::returns::UnmetCode::{self, *};
use clampward_domain::words::{AmendmentField, Component, ExceptionalReason, Ground, LockoutReason, Outcome};
use serde_json::json;

struct Held {
    clamp: History,
    lockout: LockoutId,
    inspection: EntryId,
    repair: Option<EntryId>,
    correction: Option<EntryId>,
    returned: EntryId,
}

/// What is done between the hold and the return.
#[derive(Clone, Copy, PartialEq)]
enum Done {
    Inspected,
    Repaired(Component),
    Corrected(&'static str),
}

fn held(world: World, done: Done) -> Held {
    let mut clamp = History::new(world, "houston");
    let registered = clamp.registered("2025-01-02T15:00Z", |body| {
        body.serial_number = Some("GF0417".to_owned());
    });
    clamp.accepted(
        "2025-01-03T15:00Z",
        "inspector",
        clampward_domain::words::InspectionKind::Initial,
    );
    let lockout = clamp.tagged_out("2025-01-20T15:00Z", "safety", LockoutReason::SafetyBulletin);
    let hold = clamp.entries.last().unwrap().id;
    if let Body::TaggedOut(tag) = &mut clamp.entry_mut(hold).body {
        tag.bulletin = Some(id("bulletin 7"));
    }
    let repair = match done {
        Done::Repaired(component) => {
            Some(clamp.repaired("2025-01-21T09:00Z", "technician", component, &[lockout]))
        }
        Done::Inspected | Done::Corrected(_) => None,
    };
    let correction = match done {
        Done::Corrected(serial) => Some(clamp.amended(
            "2025-01-21T10:00Z",
            "inspector",
            registered,
            AmendmentField::SerialNumber,
            json!(serial),
        )),
        Done::Inspected | Done::Repaired(_) => None,
    };
    let inspection = clamp.inspected_for(
        "2025-01-22T15:00Z",
        "inspector",
        ExceptionalReason::Bulletin,
        &[lockout],
    );
    if correction.is_none() {
        clamp.inspection_mut(inspection).bulletin = Some(id("bulletin 7"));
    }
    let mut releases = vec![Release {
        inspection_entry: Some(inspection),
        repair_entry: repair,
        correction_entry: correction,
        ..release(lockout, Ground::InspectedFit)
    }];
    if let Some(repair) = repair {
        let after = clamp.reinspected("2025-01-22T16:00Z", "inspector", repair);
        releases.push(Release {
            inspection_entry: Some(after),
            ..release(clamp.not_reinspected(repair), Ground::Reinspected)
        });
    }
    let returned = clamp.returned("2025-01-23T15:00Z", "lead", releases);
    Held {
        clamp,
        lockout,
        inspection,
        repair,
        correction,
        returned,
    }
}

impl Held {
    fn release(&mut self) -> &mut Release {
        &mut self.clamp.releases_mut(self.returned)[0]
    }
}

#[track_caller]
fn returned(held: &Held) {
    assert_eq!(held.clamp.unmet(held.returned), []);
    assert!(!held.clamp.is_open(held.lockout));
    assert!(
        held.clamp.is_fit("2025-01-24T15:00Z"),
        "{:?}",
        held.clamp.reasons("2025-01-24T15:00Z")
    );
}

#[track_caller]
fn stays(mut held: Held, codes: &[UnmetCode], change: impl FnOnce(&mut Held)) {
    change(&mut held);
    assert_eq!(held.clamp.unmet(held.returned), codes);
    assert!(held.clamp.is_open(held.lockout), "it stays open");
    assert!(!held.clamp.is_fit("2025-01-24T15:00Z"));
}

fn stop_use() -> World {
    World::new().bulletin(|bulletin| {
        bulletin.class = BulletinClass::StopUse;
        bulletin.remedy = Some(BulletinRemedy {
            text: "Renew the pin".to_owned(),
            components: vec![Component::Pins],
        });
    })
}

#[test]
fn an_inspection_that_cites_the_bulletin_and_accepts_its_checks_releases_it() {
    let inspected = || held(World::new(), Done::Inspected);
    returned(&inspected());
    stays(inspected(), &[BulletinNotCited], |case| {
        case.clamp.inspection_mut(case.inspection).bulletin = Some(id("bulletin 8"));
    });
    stays(inspected(), &[BulletinNotCited], |case| {
        case.clamp.inspection_mut(case.inspection).bulletin = None;
    });
    // One of a bulletin that nobody opened here.
    let unknown = |world: &mut World| world.reference.bulletins.clear();
    let mut world = World::new();
    unknown(&mut world);
    stays(held(world, Done::Inspected), &[BulletinNotCited], |_| {});
}

#[test]
fn every_check_of_the_bulletin_is_asked_and_accepted() {
    let more = World::new().bulletin(|bulletin| bulletin.checks.push("no_such_check".to_owned()));
    stays(held(more, Done::Inspected), &[CriterionNotAccepted], |_| {});
    // Seen at one place and not at the other.
    stays(
        held(World::new(), Done::Inspected),
        &[CriterionNotAccepted, InspectionNotCredited],
        |case| {
            let findings = &mut case.clamp.inspection_mut(case.inspection).findings;
            let mut other = findings
                .iter()
                .find(|finding| finding.criterion == "pin_bent")
                .unwrap()
                .clone();
            other.place = Some("left".to_owned());
            other.outcome = Outcome::NotChecked;
            findings.push(other);
        },
    );
}

#[test]
fn a_stop_of_use_needs_its_remedy_on_each_component_it_names() {
    let repaired = || held(stop_use(), Done::Repaired(Component::Pins));
    returned(&repaired());
    stays(held(stop_use(), Done::Inspected), &[RepairMissing], |_| {});
    stays(
        held(stop_use(), Done::Repaired(Component::Shackle)),
        &[RepairOtherComponent],
        |_| {},
    );
    stays(repaired(), &[RepairDoesNotAnswer], |case| {
        case.clamp.repair_mut(case.repair.unwrap()).answers.clear();
    });
    // Which opens a lock-out of its own.
    stays(repaired(), &[LockoutNotNamed, ForeignPart], |case| {
        case.clamp.repair_mut(case.repair.unwrap()).parts[0].from_original_maker = false;
    });
    stays(repaired(), &[InspectionTooEarly], |case| {
        case.clamp.entry_mut(case.inspection).counted_at = "2025-01-21T08:00Z".parse().unwrap();
    });
}

#[test]
fn without_a_remedy_only_the_makers_written_release_ends_a_stop_of_use() {
    let without = || {
        held(
            stop_use().bulletin(|bulletin| bulletin.remedy = None),
            Done::Inspected,
        )
    };
    stays(without(), &[NoRemedy], |_| {});
    stays(without(), &[NoRemedy], |case| {
        case.release().maker_document = Some("  ".to_owned());
    });
    let mut written = without();
    written.release().maker_document = Some("GF letter 2025-118".to_owned());
    returned(&written);
    // It stands for the remedy, not for the inspection.
    stays(without(), &[BulletinNotCited], |case| {
        case.release().maker_document = Some("GF letter 2025-118".to_owned());
        case.clamp.inspection_mut(case.inspection).bulletin = None;
    });
}

#[test]
fn a_corrected_number_frees_the_clamp_only_by_a_return_that_cites_it() {
    let world = || {
        stop_use().bulletin(|bulletin| {
            bulletin.scope.serials = Some(Serials {
                ranges: vec![SerialRange {
                    first: "GF0400".to_owned(),
                    last: "GF0499".to_owned(),
                }],
                ..Serials::default()
            });
        })
    };
    let corrected = || held(world(), Done::Corrected("GF0517"));
    returned(&corrected());
    stays(corrected(), &[RepairMissing, BulletinNotCited], |case| {
        case.release().correction_entry = None
    });
    // To a number that is still in scope, or looks like one.
    for serial in ["GF0418", "GFO4I8", "0517"] {
        stays(
            held(world(), Done::Corrected(serial)),
            &[CorrectionMissing],
            |_| {},
        );
    }
    stays(corrected(), &[CorrectionMissing, CorrectionAuthor], |case| {
        case.clamp.entry_mut(case.correction.unwrap()).performed_by = id("operator")
    });
}

/// Goal: nobody's word that rests on nothing frees a clamp beside one that does. Method: the day is corrected with a document
/// and cited; the number, which is what counts, by a technician without one, before and after the return.
#[test]
fn a_correction_that_is_not_shown_frees_nothing_beside_one_that_is() {
    let world = || {
        stop_use().bulletin(|bulletin| {
            bulletin.scope.serials = Some(Serials {
                numbers: vec!["GF0417".to_owned()],
                ..Serials::default()
            });
        })
    };
    for when in ["2025-01-21T11:00Z", "2025-01-25T11:00Z"] {
        let mut case = held(world(), Done::Corrected("GF0417"));
        stays_open(&case, &[CorrectionMissing]);
        let registered = case.clamp.entries[0].id;
        let unshown = case.clamp.amended(
            when,
            "technician",
            registered,
            AmendmentField::SerialNumber,
            json!("GF0517"),
        );
        if let Body::Amended(amended) = &mut case.clamp.entry_mut(unshown).body {
            amended.document = None;
        }
        stays_open(&case, &[CorrectionMissing]);
    }
}

#[track_caller]
fn stays_open(case: &Held, codes: &[UnmetCode]) {
    assert_eq!(case.clamp.unmet(case.returned), codes);
    assert!(case.clamp.is_open(case.lockout), "it stays open");
}

/// Goal: a hold that was no error is not taken back as one. Method: the ground of errors, with everything else that it asks for.
#[test]
fn a_hold_of_a_clamp_in_scope_was_no_error() {
    let mut case = held(World::new(), Done::Inspected);
    let hold = case.clamp.entries[2].id;
    let correction = case.clamp.amended(
        "2025-01-21T10:00Z",
        "safety",
        hold,
        AmendmentField::EnteredInError,
        json!("another clamp was meant"),
    );
    let release = Release {
        inspection_entry: Some(case.inspection),
        correction_entry: Some(correction),
        ..release(case.lockout, Ground::EnteredInError)
    };
    case.clamp.forget(case.returned);
    case.returned = case.clamp.returned("2025-01-23T15:00Z", "safety", vec![release]);
    case.clamp
        .confirmed("2025-01-23T16:00Z", "other_safety", case.returned);
    stays_open(&case, &[GroundNotAllowed]);
}
