//! A large yard and a long shift in one go.

use crate::domain::{World, id};
use crate::support::service::Service;
use crate::support::{Device, tag_out};
use clampward_domain::ids::{ClampId, YardId};
use clampward_domain::words::LockoutReason;
use clampward_field::core::Progress;
use clampward_field::device::Named;
use clampward_field::mirror;
use clampward_field::session::synchronise;

#[test]
fn twenty_thousand_clamps_and_five_thousand_unsent_entries_go_in_one_run() {
    let mut service = Service::new(World::new());
    service.grant("houston");
    for n in 0..20_000 {
        service.clamp_in_service("houston", &format!("HOU-{n}"));
    }
    service.snapshot_part = 500;
    let mut device = Device::enrolled();
    let clamps: Vec<ClampId> = service.granted_clamps().into_keys().collect();
    device.tag_out_many((0..5_000).map(|n| Named::Clamp(clamps[n * 4])));
    let report = device.sync(&mut service);
    assert_eq!(
        (report.recorded, report.left, report.clamps),
        (5_000, 0, 20_000),
        "{report:?}"
    );
    assert_eq!(
        mirror::numbers(device.database.connection()).unwrap(),
        (1, 20_000)
    );
    assert!(!device.may_lift("HOU-0"));
    assert!(device.may_lift("HOU-1"));
    assert_eq!(service.pushes.len(), 10);
}

#[test]
fn a_long_run_shows_how_far_it_is_in_numbers_that_never_go_back() {
    let mut service = Service::new(World::new());
    service.grant("houston");
    for n in 0..2 {
        service.clamp_in_service("houston", &format!("HOU-{n}"));
    }
    let mut device = Device::enrolled();
    device.sync(&mut service);
    let clamps: Vec<ClampId> = service.granted_clamps().into_keys().collect();
    for _ in 0..7 {
        device.tag_out(Named::Clamp(clamps[0]));
    }
    for _ in 0..9 {
        service.write(clamps[1], "houston", "operator", tag_out(LockoutReason::Dropped));
    }
    let gained: YardId = id("erie");
    service.grant("erie");
    for n in 0..30 {
        service.clamp_in_service("erie", &format!("ERI-{n}"));
    }
    service.most_entries = 2;
    service.page = 4;
    service.snapshot_part = 10;
    let mut shown = Vec::new();
    synchronise(
        &mut device.database,
        &mut service,
        &device.clock,
        &mut |progress| shown.push(progress.clone()),
    )
    .unwrap();
    let pushing = [2, 4, 6, 7].map(|done| Progress::Pushing { done, of: 7 });
    // Seven of its own and nine of others.
    let pulling = [4, 8, 12, 16].map(|rows| Progress::Pulling { rows });
    // The first part has yards, models and people only.
    let snapshot = [0, 10, 20, 30].map(|clamps| Progress::Snapshot { yard: gained, clamps });
    // What was written during the snapshot is fetched behind it: nothing here.
    let last = [Progress::Pulling { rows: 16 }];
    let expected: Vec<Progress> = pushing
        .into_iter()
        .chain(pulling)
        .chain(snapshot)
        .chain(last)
        .collect();
    assert_eq!(shown, expected);
}
