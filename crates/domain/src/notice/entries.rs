//! What follows from an entry when it is recorded.

use super::{About, NoticeKind, Occasion, derived};
use crate::bulletin::{Opened, hold_id};
use crate::criteria;
use crate::entry::{Body, Entry};
use crate::ids::{BulletinId, DeviceId, EntryId, YardId};
use crate::judge::{OpenedLockout, Outcome, RemarkCode};
use crate::reference::{Reference, Yard};
use crate::rule_set;
use crate::words::{AmendmentField, Component, ProofTestPolicy, words};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

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
        if lockout.bars_from <= now && !is_of_the_opening(entry, reference) {
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
    if let Some(paper) = missing_paper(entry, yards, reference) {
        let about = About {
            what: Some(paper.code().to_owned()),
            ..About::default()
        };
        occasions.push(occasion(NoticeKind::PaperMissing, entry.id.uuid(), about));
    }
    if let Some(device) = entry.device_id
        && (says(RemarkCode::ClockCorrected) || says(RemarkCode::ClockAhead))
    {
        occasions.extend(clock_off(device, entry, yards, reference));
    }
    occasions
}

words! {
    /// A paper that may be missing.
    Paper {
        /// The maker's declaration of conformity.
        Declaration = "declaration_of_conformity",
        /// The proof test after a repair.
        ProofTest = "proof_test",
    }
}

/// The paper that an entry leaves to be asked for. A declaration of conformity is kept for as long as the clamp is operated where
/// thorough examination is the law (LOLER 1998, reg. 9(1) and 11(2)(a)): it is asked for when a clamp is registered there without
/// one. A proof test after a repair is asked for where the yard demands it.
fn missing_paper(entry: &Entry, yards: &[YardId], reference: &Reference) -> Option<Paper> {
    let here = || {
        let versions = yards.iter().filter_map(|yard| reference.yards.get(yard));
        versions.filter_map(|versions| {
            versions
                .at(entry.counted_at)
                .map(|version| version.value.as_ref())
        })
    };
    match &entry.body {
        Body::Registered(registered) => {
            let examines = |yard: &Yard| rule_set::current(yard.rule_set).thorough_examination().is_some();
            (registered.declaration.is_none() && here().any(examines)).then_some(Paper::Declaration)
        }
        Body::Repaired(repaired) => {
            let bears = |part: &Component| criteria::is_load_bearing(*part);
            let demands = |yard: &Yard| match yard.proof_test_policy {
                ProofTestPolicy::Always => true,
                ProofTestPolicy::OnLoadBearingParts => repaired.components.iter().any(bears),
                ProofTestPolicy::NotRequired => false,
            };
            here().any(demands).then_some(Paper::ProofTest)
        }
        _ => None,
    }
}

/// The paper that nobody has to be asked for any more once this is recorded.
pub fn settled_paper(entry: &Entry) -> Option<Paper> {
    match &entry.body {
        Body::Amended(amended) if amended.field == AmendmentField::Declaration => Some(Paper::Declaration),
        Body::ProofTested(_) => Some(Paper::ProofTest),
        _ => None,
    }
}

/// Whether it is the hold of a clamp that was there when its bulletin was opened: of that everybody is told once, not of each
/// clamp. One that comes to light later is told by itself.
fn is_of_the_opening(entry: &Entry, reference: &Reference) -> bool {
    let Body::TaggedOut(tag) = &entry.body else {
        return false;
    };
    tag.bulletin.is_some_and(|id| {
        let opened = reference.bulletins.get(&id);
        entry.id == hold_id(id, entry.clamp_id)
            && opened.is_some_and(|opened| opened.opened_at == entry.performed_at)
    })
}

/// What to tell of a bulletin when it is opened, in every yard: it may have clamps in scope that nobody has registered.
pub fn of_bulletin(
    id: BulletinId,
    opened: &Opened,
    yards: &[YardId],
    reference: &Reference,
) -> Vec<Occasion> {
    let by = reference.people.get(&opened.opened_by);
    let of_yard = |yard: &YardId| Occasion {
        kind: NoticeKind::BulletinOpened,
        subject: derived(&["bulletin", &id.to_string(), &yard.to_string()]),
        clamp: None,
        yards: vec![*yard],
        since: opened.opened_at,
        also: None,
        about: About {
            person: by.map(|person| person.name.clone()),
            ..about_bulletin(id, opened)
        },
    };
    yards.iter().map(of_yard).collect()
}

/// What a notice says of a bulletin.
pub(super) fn about_bulletin(id: BulletinId, opened: &Opened) -> About {
    let bulletin = &opened.bulletin;
    About {
        what: Some(bulletin.class.code().to_owned()),
        detail: Some(format!(
            "{} {}: {}",
            bulletin.issued_by, bulletin.code, bulletin.title
        )),
        bulletin_id: Some(id),
        ..About::default()
    }
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
