//! When an entry of the device's own is shown by what it pulled, and bars no longer by itself.

use crate::pulling::{PushOnly, agrees, ahead_of_the_standby};
use crate::support::service::Service;
use clampward_field::core::Answer;
use clampward_field::device::Named;
use clampward_field::failure::Done;
use clampward_field::session::{Asked, Question, Transport};
use clampward_wire::sync::pull::{Changes, YardChanges};
use jiff::Timestamp;

/// A service whose pulls are answered by a database that follows it and has not heard of the cursors yet.
struct Behind<'a>(&'a mut Service);

impl Transport for Behind<'_> {
    fn ask(&mut self, question: &Question, each: &mut dyn FnMut(Answer) -> Done) -> Done<Asked> {
        let Question::Changes { cursors } = question else {
            return self.0.ask(question, each);
        };
        let nothing = |yard_id, cursor: &String| YardChanges {
            yard_id,
            from: cursor.clone(),
            rows: Vec::new(),
            clamps: Vec::new(),
            reference: Vec::new(),
            next_cursor: cursor.clone(),
            more: false,
            // The third part of this service's cursors is their position.
            known_position: cursor.split('.').nth(2).unwrap().parse().unwrap(),
            known_at: Timestamp::UNIX_EPOCH,
            problem: None,
        };
        each(Answer::Changes(Changes {
            yards: cursors
                .iter()
                .map(|(yard, cursor)| nothing(*yard, cursor))
                .collect(),
            granted: self.0.granted.iter().copied().collect(),
            server_time: self.0.now,
        }))?;
        Ok(Asked::Answered)
    }
}

#[test]
fn a_page_on_which_nothing_new_is_known_shows_no_entry() {
    let (mut service, mut device, clamp, standby) = ahead_of_the_standby();
    service.restore(&standby);
    service.epoch -= 1;
    let entry = device.tag_out(Named::Clamp(clamp)).id;
    device.sync(&mut Behind(&mut service));
    let kept = device.kept()[0].clone();
    assert_eq!(kept.entry_id, entry);
    let known = clampward_field::mirror::yard_knowledge(device.database.connection()).unwrap();
    assert!(
        kept.position.unwrap() <= known[0].known_position,
        "recorded where the old history has something else"
    );
    assert_eq!(device.why_not("HMW-0042"), ["tagged_out"]);
    device.sync(&mut PushOnly(&mut service));
    assert_eq!(device.why_not("HMW-0042"), ["tagged_out"]);
    // The one that the others follow tells of the other history.
    let report = device.sync(&mut service);
    assert!(report.resynchronised && report.is_complete(), "{report:?}");
    agrees(&device, &service);
    assert_eq!(device.why_not("HMW-0042"), ["tagged_out"]);
    assert_eq!(device.ask("HMW-0042").own_entries, 0, "the mirror shows it now");
}
