//! Histories that break naive designs: late, out of order, back-dated, or citing what is not theirs.

use crate::support::{History, World, answer, at, id, mm, release};
use clampward_domain::entry::{Part, Received};
use clampward_domain::ids::{EntryId, LockoutId, lockout_id};
use clampward_domain::returns::UnmetCode;
use clampward_domain::words::{
    AmendmentField, CompetenceKind, Component, Ground, InspectionKind, LockoutReason, Status,
};
use serde_json::json;

/// Rejected on the 10th, repaired, re-inspected, returned on the 13th.
struct Mended {
    clamp: History,
    worn: LockoutId,
    repair: EntryId,
    inspection: EntryId,
    returned: EntryId,
}

fn mended(world: World) -> Mended {
    let mut clamp = History::in_service(world, "houston");
    let worn = clamp.rejected("2025-01-10T15:00Z", "designated", "shackle_eye_worn");
    let repair = clamp.repaired("2025-01-11T15:00Z", "technician", Component::Shackle, &[worn]);
    let inspection = clamp.reinspected("2025-01-12T15:00Z", "inspector", repair);
    let releases = vec![
        by_repair(worn, repair, inspection),
        by_inspection(&clamp, repair, inspection),
    ];
    let returned = clamp.returned("2025-01-13T15:00Z", "lead", releases);
    Mended {
        clamp,
        worn,
        repair,
        inspection,
        returned,
    }
}
fn by_repair(lockout: LockoutId, repair: EntryId, inspection: EntryId) -> clampward_domain::entry::Release {
    let mut release = release(lockout, Ground::Repaired);
    (release.repair_entry, release.inspection_entry) = (Some(repair), Some(inspection));
    release
}
fn by_inspection(clamp: &History, repair: EntryId, inspection: EntryId) -> clampward_domain::entry::Release {
    let mut release = release(clamp.not_reinspected(repair), Ground::Reinspected);
    release.inspection_entry = Some(inspection);
    release
}

#[test]
fn an_old_repair_and_inspection_do_not_clear_a_new_rejection() {
    let Mended {
        mut clamp,
        repair,
        inspection,
        ..
    } = mended(World::new());
    assert!(clamp.is_fit("2025-01-13T15:00Z"));
    let again = clamp.rejected("2025-01-14T15:00Z", "designated", "shackle_eye_worn");
    let returned = clamp.returned(
        "2025-01-15T15:00Z",
        "lead",
        vec![by_repair(again, repair, inspection)],
    );
    assert_eq!(clamp.unmet(returned), [UnmetCode::RepairDoesNotAnswer]);
    assert!(clamp.is_open(again));
    assert_eq!(clamp.standing("2025-01-16T15:00Z").status, Status::TaggedOut);
}

#[test]
fn a_rejection_that_arrives_late_with_an_earlier_time_tags_the_clamp_out_again() {
    let Mended {
        mut clamp, returned, ..
    } = mended(World::new());
    assert!(clamp.is_fit("2025-01-13T15:00Z"));
    let late = clamp.rejected("2025-01-11T08:00Z", "designated", "pin_bent");
    assert!(clamp.is_open(late));
    assert_eq!(clamp.standing("2025-01-13T15:00Z").status, Status::TaggedOut);
    // Also one of the same criterion: it is another finding, which the return could not have named.
    let same = clamp.rejected("2025-01-10T16:00Z", "inspector", "shackle_eye_worn");
    assert!(clamp.is_open(same));
    assert_eq!(
        clamp
            .state()
            .lockouts
            .values()
            .filter(|lockout| !lockout.is_open())
            .count(),
        2
    );
    assert_eq!(clamp.entry(returned).counted_at, at("2025-01-13T15:00Z"));
}

#[test]
fn of_two_repairs_the_foreign_part_of_the_first_stays_although_the_return_cites_the_second() {
    let mut clamp = History::in_service(World::new(), "houston");
    let worn = clamp.rejected("2025-01-10T15:00Z", "designated", "shackle_eye_worn");
    let first = clamp.repaired("2025-01-11T10:00Z", "technician", Component::Shackle, &[worn]);
    clamp.repair_mut(first).parts.push(Part {
        component: Component::Pins,
        part_number: "bolt M16".to_owned(),
        lot: None,
        from_original_maker: false,
    });
    let second = clamp.repaired("2025-01-11T15:00Z", "technician", Component::Shackle, &[worn]);
    let inspection = clamp.reinspected("2025-01-12T15:00Z", "inspector", second);
    let releases = vec![
        by_repair(worn, second, inspection),
        by_inspection(&clamp, second, inspection),
    ];
    let returned = clamp.returned("2025-01-13T15:00Z", "lead", releases);
    assert_eq!(clamp.unmet(returned), [UnmetCode::LockoutNotNamed]);
    assert_eq!(clamp.open(), ["foreign_part", "not_reinspected"]);
    assert!(clamp.is_open(lockout_id(first, "foreign_part", "part 2: bolt M16")));
    assert!(clamp.is_open(clamp.not_reinspected(first)));
    assert!(!clamp.is_fit("2025-01-14T15:00Z"));
}

#[test]
fn a_competence_dated_back_after_the_return_has_no_effect_and_a_revocation_has() {
    let mut world = World::new();
    world.person_mut("technician").competences.clear();
    let mut case = mended(world);
    assert!(case.clamp.is_open(case.worn));
    // Recorded on the 20th as valid since 2020.
    case.clamp.world.grant(
        "technician",
        CompetenceKind::RepairTechnician,
        None,
        "2025-01-20T15:00Z",
    );
    assert!(case.clamp.is_open(case.worn));
    // A new return, signed after that, rests on it.
    let releases = case.clamp.releases_mut(case.returned).clone();
    case.clamp.returned("2025-01-21T15:00Z", "lead", releases);
    assert!(!case.clamp.is_open(case.worn));
    // Withdrawn later as of a day before the repair: the lock-out is open again.
    case.clamp.world.person_mut("technician").competences[0].revoked =
        Some(clampward_domain::reference::Revocation {
            from: "2025-01-11".parse().unwrap(),
            recorded_at: at("2025-03-01T00:00Z"),
        });
    assert!(case.clamp.is_open(case.worn));
}

#[test]
fn a_return_that_arrives_before_its_lock_out_waits_and_closes_it_when_it_arrives() {
    let complete = mended(World::new());
    let mut clamp = complete.clamp.clone();
    let rejected = clamp.state().lockouts[&complete.worn].opened_by_entry;
    let rejection = clamp.entry(rejected).clone();
    clamp.forget(rejected);
    assert!(clamp.state().waiting.contains_key(&complete.returned));
    assert!(!clamp.state().lockouts.contains_key(&complete.worn));
    clamp.entries.push(rejection);
    assert_eq!(clamp.state(), complete.clamp.state());
    assert!(!clamp.is_open(complete.worn));
    assert!(clamp.state().waiting.is_empty());
}

#[test]
fn a_return_whose_evidence_is_still_under_way_waits_for_it() {
    for missing in [|case: &Mended| case.repair, |case: &Mended| case.inspection] {
        let case = mended(World::new());
        let mut clamp = case.clamp.clone();
        let evidence = clamp.entry(missing(&case)).clone();
        clamp.forget(evidence.id);
        assert!(clamp.is_open(case.worn));
        assert!(!clamp.is_fit("2025-01-13T15:00Z"));
        clamp.entries.push(evidence);
        assert!(clamp.is_fit("2025-01-13T15:00Z"));
    }
}

#[test]
fn two_returns_of_one_lock_out_have_one_effect() {
    let mut case = mended(World::new());
    let releases = case.clamp.releases_mut(case.returned).clone();
    let second = case.clamp.returned("2025-01-13T15:00Z", "safety", releases);
    let state = case.clamp.state();
    let closing = state.lockouts[&case.worn].closed.clone().unwrap();
    assert_eq!(closing.by_entry, case.returned.min(second));
    assert!(state.waiting.is_empty());
}

#[test]
fn a_passed_inspection_time_and_a_transfer_close_nothing() {
    let mut clamp = History::in_service(World::new(), "houston");
    let first = clamp.entries[0].id;
    let worn = clamp.rejected("2025-01-10T15:00Z", "designated", "shackle_eye_worn");
    clamp.accepted(
        "2025-01-11T15:00Z",
        "inspector",
        clampward_domain::words::InspectionKind::Periodic,
    );
    clamp.transferred("2025-01-12T15:00Z", "erie", Some(first));
    assert!(clamp.is_open(worn));
    assert!(!clamp.is_fit("2035-01-12T15:00Z"));
}

#[test]
fn a_return_placed_by_hand_or_unsigned_evidence_releases_nothing() {
    let case = mended(World::new());
    for touched in [case.repair, case.inspection, case.returned] {
        let mut clamp = case.clamp.clone();
        clamp.entry_mut(touched).placed = true;
        assert!(clamp.is_open(case.worn));
        let mut clamp = case.clamp.clone();
        clamp.entry_mut(touched).signed = false;
        assert!(clamp.is_open(case.worn));
    }
}

#[test]
fn a_second_registration_stands_beside_the_first_and_is_refused_online() {
    let mut clamp = History::in_service(World::new(), "houston");
    let second = clamp.registered("2025-01-05T15:00Z", |body| {
        body.yard_id = crate::support::id("emden");
        body.service_class = clampward_domain::words::ServiceClass::Special;
    });
    assert_eq!(
        clamp.refusals(second),
        [clampward_domain::judge::RefusalCode::AlreadyRegistered]
    );
    assert_eq!(clamp.state().yards().len(), 2);
    assert_eq!(clamp.open(), ["identity_in_doubt"]);
}

#[test]
fn a_tag_out_at_the_instant_of_the_return_bars() {
    let mut case = mended(World::new());
    let tag = case
        .clamp
        .tagged_out("2025-01-13T15:00Z", "operator", LockoutReason::Precaution);
    assert!(case.clamp.is_open(tag));
    assert!(!case.clamp.is_fit("2025-01-13T15:00Z"));
}

#[test]
fn a_transfer_to_a_yard_nobody_knows_makes_the_clamp_unfit() {
    let mut clamp = History::in_service(World::new(), "houston");
    assert!(clamp.is_fit("2025-01-10T15:00Z"));
    clamp.transferred("2025-01-10T15:00Z", "a yard nobody knows", None);
    assert!(!clamp.is_fit("2025-01-10T15:00Z"));
}

#[test]
fn asked_about_an_instant_before_the_return_took_effect_the_clamp_was_barred() {
    let mut case = mended(World::new());
    assert!(!case.clamp.is_fit("2025-01-13T14:59Z"));
    assert!(case.clamp.is_fit("2025-01-13T15:00Z"));
    // By clocks that run a little apart its inspection counts after the return: barred until then.
    case.clamp.entry_mut(case.inspection).counted_at = at("2025-01-13T15:05Z");
    assert!(!case.clamp.is_fit("2025-01-13T15:04Z"));
    assert!(case.clamp.is_fit("2025-01-13T15:05Z"));
}

// A tablet that was found, or a file that anybody wrote, names a clamp and whatever it likes.
#[test]
fn what_nobody_signed_takes_no_mark_from_a_clamp_and_gives_it_none() {
    let mut clamp = History::in_service(World::new(), "houston");
    let (first, mark) = (clamp.entries[0].id, clamp.state().asset_mark());
    let field = AmendmentField::AssetMark;
    let renamed = clamp.amended("2025-01-05T15:00Z", "lead", first, field, json!("A-17-OLD"));
    clamp.entry_mut(renamed).signed = false;
    assert_eq!(clamp.state().asset_mark(), mark);
    clamp.entry_mut(renamed).signed = true;
    clamp.entry_mut(renamed).placed = true;
    assert_eq!(clamp.state().asset_mark(), mark);
    clamp.entry_mut(renamed).placed = false;
    assert_eq!(clamp.state().asset_mark().as_deref(), Some("A-17-OLD"));
}

#[test]
fn a_transfer_that_nobody_signed_hides_a_clamp_from_no_yard_and_loosens_no_date() {
    let mut clamp = History::in_service(World::new(), "houston");
    let first = clamp.entries[0].id;
    let before = clamp.standing("2025-02-01T15:00Z").fit_until;
    let moved = clamp.transferred("2025-01-05T15:00Z", "leith", Some(first));
    clamp.entry_mut(moved).signed = false;
    let mut both = vec![id("houston"), id("leith")];
    both.sort_unstable();
    assert_eq!(clamp.state().yards(), both);
    assert!(clamp.standing("2025-02-01T15:00Z").fit_until <= before);
    clamp.entry_mut(moved).signed = true;
    assert_eq!(clamp.state().yards(), [id("leith")]);
}

#[test]
fn a_repair_that_nobody_signed_forgets_no_reading_and_a_receipt_none_who_has_the_clamp() {
    let mut clamp = History::in_service(World::new(), "houston");
    clamp.issued("2025-01-05T15:00Z", "lead");
    let received = clamp.write("2025-01-06T15:00Z", "operator", Received { note: None });
    clamp.entry_mut(received).signed = false;
    assert!(
        clamp.state().issued.is_some(),
        "who has it may not sign its return"
    );
    let worn = clamp.rejected("2025-01-10T15:00Z", "designated", "shackle_eye_worn");
    let measured = clamp.accepted("2025-01-11T15:00Z", "inspector", InspectionKind::Frequent);
    answer(clamp.inspection_mut(measured), "shackle_eye_worn").measured = Some(mm("28.0"));
    assert_eq!(clamp.state().readings.len(), 1);
    let repair = clamp.repaired("2025-01-12T15:00Z", "technician", Component::Shackle, &[worn]);
    assert!(clamp.state().readings.is_empty());
    clamp.entry_mut(repair).signed = false;
    assert_eq!(clamp.state().readings.len(), 1);
}

#[test]
fn a_registration_that_nobody_signed_dated_back_does_not_say_which_clamp_it_is() {
    let mut clamp = History::in_service(World::new(), "houston");
    let mark = clamp.state().asset_mark();
    let forged = clamp.registered("2020-01-01T15:00Z", |body| {
        body.asset_mark = "A-17-OLD".to_owned()
    });
    clamp.entry_mut(forged).signed = false;
    assert_eq!(clamp.state().asset_mark(), mark);
    assert_eq!(clamp.open(), ["identity_in_doubt"]);
}
