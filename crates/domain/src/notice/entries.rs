//! What follows from an entry when it is recorded.

use super::{About, NoticeKind, Occasion, derived};
use crate::entry::{Body, Entry};
use crate::ids::{DeviceId, EntryId, YardId};
use crate::judge::{OpenedLockout, Outcome, RemarkCode};
use crate::reference::Reference;
use jiff::Timestamp;

/// What to tell of an entry that came to this, delivered to these yards, as of an instant. An entry that was recorded late
/// tells the same: whoever reads it sees since when.
pub fn of_entry(
    entry: &Entry,
    outcome: &Outcome,
    yards: &[YardId],
    reference: &Reference,
    now: Timestamp,
) -> Vec<Occasion> {
    let by = reference.people.get(&entry.performed_by);
    let occasion = |kind, subject, about| Occasion {
        kind,
        subject,
        clamp: Some(entry.clamp_id),
        yards: yards.to_vec(),
        since: entry.counted_at,
        also: None,
        about: About {
            entry_id: Some(entry.id),
            person: by.map(|person| person.name.clone()),
            ..about
        },
    };
    let mut occasions = Vec::new();
    for lockout in &outcome.opened {
        // One that is closed already when its entry arrives late bars nobody any more.
        if outcome.closed.contains(&lockout.id) {
            continue;
        }
        if lockout.bars_from <= now {
            occasions.push(occasion(
                NoticeKind::TaggedOut,
                lockout.id.uuid(),
                of_lockout(lockout),
            ));
        }
    }
    if !outcome.closed.is_empty() {
        let about = About {
            count: u64::try_from(outcome.closed.len()).ok(),
            ..About::default()
        };
        occasions.push(occasion(NoticeKind::ReturnedToService, entry.id.uuid(), about));
    }
    let says = |code| outcome.remarks.iter().any(|remark| remark.code == code);
    let against_stop = match &entry.body {
        Body::Used(used) => !used.against_stop.is_empty(),
        _ => false,
    };
    if against_stop || says(RemarkCode::UsedWhileNotFit) {
        let detail = if against_stop {
            "A load was lifted although the check before the lift said stop."
        } else {
            "A lock-out barred it at the time."
        };
        let about = About {
            detail: Some(detail.to_owned()),
            ..About::default()
        };
        occasions.push(occasion(NoticeKind::UsedWhileNotFit, entry.id.uuid(), about));
    }
    if let Some(device) = entry.device_id
        && (says(RemarkCode::ClockCorrected) || says(RemarkCode::ClockAhead))
    {
        occasions.extend(clock_off(device, entry, yards, reference));
    }
    occasions
}

/// What a notice says of a lock-out.
fn of_lockout(lockout: &OpenedLockout) -> About {
    let reason = lockout.reason.map(|reason| reason.code().to_owned());
    About {
        what: lockout.criterion.clone().or(reason),
        component: Some(lockout.component),
        grade: Some(lockout.grade),
        bars_from: Some(lockout.bars_from),
        lockout_id: Some(lockout.id),
        ..About::default()
    }
}

/// One for a device and a day: hundreds of entries bear the same remark.
fn clock_off(device: DeviceId, entry: &Entry, yards: &[YardId], reference: &Reference) -> Option<Occasion> {
    let yard = reference.yards.get(yards.first()?)?.at(entry.counted_at)?;
    let day = yard.value.time_zone.date_at(entry.counted_at);
    Some(Occasion {
        kind: NoticeKind::TabletClockOff,
        subject: derived(&["clock", &device.to_string(), &day.to_string()]),
        clamp: None,
        yards: yards.to_vec(),
        since: entry.counted_at,
        also: None,
        about: About {
            device_id: Some(device),
            day: Some(day),
            ..About::default()
        },
    })
}

/// What to tell of something that is held.
pub fn of_held_entry(
    held: EntryId,
    device: Option<DeviceId>,
    yards: &[YardId],
    since: Timestamp,
    detail: &str,
) -> Occasion {
    Occasion {
        kind: NoticeKind::HeldEntryWaiting,
        subject: held.uuid(),
        clamp: None,
        yards: yards.to_vec(),
        since,
        also: None,
        about: About {
            entry_id: Some(held),
            device_id: device,
            detail: Some(detail.to_owned()),
            ..About::default()
        },
    }
}
