//! A large yard and a long shift in one go.

use crate::domain::World;
use crate::support::Device;
use crate::support::service::Service;
use clampward_domain::ids::ClampId;
use clampward_field::device::Named;
use clampward_field::mirror;

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
