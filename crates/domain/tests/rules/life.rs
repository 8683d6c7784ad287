//! A clamp's whole life.

use crate::support::{History, World, at, release};
use clampward_domain::judge::{RefusalCode, Verdict};
use clampward_domain::words::{Component, FitnessReason, Ground, InspectionKind, LockoutReason, Status};

#[test]
fn registered_inspected_rejected_repaired_reinspected_returned_and_fit_again() {
    let mut clamp = History::new(World::new(), "houston");
    clamp.registered("2025-01-02T15:00Z", |_| {});
    let waiting = clamp.standing("2025-01-02T16:00Z");
    assert_eq!(waiting.status, Status::AwaitingInitialInspection);
    assert!(!waiting.fit);

    clamp.accepted("2025-01-03T15:00Z", "inspector", InspectionKind::Initial);
    let fit = clamp.standing("2025-01-03T16:00Z");
    assert_eq!((fit.status, fit.fit), (Status::InService, true));
    // Due on 3 February in Chicago, UTC-6: fit until the end of that day.
    assert_eq!(fit.fit_until, Some(at("2025-02-04T06:00Z")));

    let worn = clamp.rejected("2025-01-20T15:00Z", "designated", "shackle_eye_worn");
    let out = clamp.standing("2025-01-20T15:00Z");
    assert_eq!(
        (out.status, out.fit, out.fit_until),
        (Status::TaggedOut, false, None)
    );
    assert_eq!(out.reasons[0].lockout_id, Some(worn));
    let issue = clamp.issued("2025-01-20T16:00Z", "operator");
    assert_eq!(clamp.refusals(issue), [RefusalCode::TaggedOut]);
    clamp.forget(issue);

    let repair = clamp.repaired("2025-01-21T15:00Z", "technician", Component::Shackle, &[worn]);
    assert_eq!(clamp.open(), ["shackle_eye_worn", "not_reinspected"]);
    let inspection = clamp.reinspected("2025-01-22T15:00Z", "inspector", repair);
    assert_eq!(clamp.judge(inspection).outcome.verdict, Some(Verdict::Accepted));
    assert!(
        !clamp.is_fit("2025-01-22T16:00Z"),
        "a passed inspection closes nothing"
    );

    let mut of_worn = release(worn, Ground::Repaired);
    of_worn.repair_entry = Some(repair);
    of_worn.inspection_entry = Some(inspection);
    let mut of_repair = release(clamp.not_reinspected(repair), Ground::Reinspected);
    of_repair.inspection_entry = Some(inspection);
    let returned = clamp.returned("2025-01-23T15:00Z", "lead", vec![of_worn, of_repair]);
    let judgement = clamp.judge(returned);
    assert_eq!(judgement.refusals, []);
    assert_eq!(judgement.outcome.closed.len(), 2);
    let again = clamp.standing("2025-01-23T15:00Z");
    assert_eq!((again.status, again.fit), (Status::InService, true));
    // The after-repair inspection of 22 January started both clocks.
    assert_eq!(again.fit_until, Some(at("2025-02-23T06:00Z")));
    assert_eq!(
        clamp.reasons("2025-02-23T06:00Z"),
        [FitnessReason::FrequentOverdue]
    );
}

#[test]
fn tagged_out_for_a_drop_until_a_dismantled_inspection_names_the_lock_out() {
    let mut clamp = History::in_service(World::new(), "houston");
    let dropped = clamp.tagged_out("2025-01-10T15:00Z", "operator", LockoutReason::Dropped);
    assert_eq!(clamp.standing("2025-01-10T15:00Z").status, Status::TaggedOut);
    let reason = clampward_domain::words::ExceptionalReason::Drop;
    let inspection = clamp.inspected_for("2025-01-11T15:00Z", "inspector", reason, &[dropped]);
    let mut fit = release(dropped, Ground::InspectedFit);
    fit.inspection_entry = Some(inspection);
    clamp.returned("2025-01-12T15:00Z", "lead", vec![fit]);
    assert!(clamp.is_fit("2025-01-12T15:00Z"));
}
