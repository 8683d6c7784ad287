//! What follows from a date: asked each day, and whenever something about the clamp is recorded.

use super::entries::about_bulletin;
use super::{About, CHASE_DAYS, NoticeKind, NoticePolicy, Occasion, derived};
use crate::bulletin::Opened;
use crate::calendar::Zone;
use crate::ids::{BulletinId, ClampId, CompetenceId, DeviceId, LockoutId, PersonId, YardId};
use crate::words::words;
use jiff::civil::Date;
use jiff::{Timestamp, ToSpan, Unit};
use serde::{Deserialize, Serialize};

words! {
    /// Which inspection falls due.
    DueClock {
        /// The frequent inspection; in Great Britain the interim inspection.
        Frequent = "frequent",
        /// The periodic inspection; in Great Britain the thorough examination.
        Periodic = "periodic",
    }
}

/// A day on which an inspection falls due.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DueDate {
    /// Which.
    pub clock: DueClock,
    /// The last day on which the clamp is fit without it, in its yard.
    pub day: Date,
}

/// A day in a yard, on which is asked what there is to tell.
#[derive(Clone, Copy, Debug)]
pub struct YardDay<'a> {
    /// The yard.
    pub yard: YardId,
    /// Its zone.
    pub zone: &'a Zone,
    /// What it wants to be told when.
    pub policy: &'a NoticePolicy,
    /// The day.
    pub today: Date,
}

fn days_between(from: Date, to: Date) -> i64 {
    from.until((Unit::Day, to))
        .map_or(i64::MAX, |span| i64::from(span.get_days()))
}

/// What there is to tell of a clamp's due dates on a day in one of its yards. Of several leads that are reached the shortest
/// counts: nobody is told of fourteen days when there are three.
pub fn due(clamp: ClampId, dates: &[DueDate], day: YardDay<'_>) -> Vec<Occasion> {
    let YardDay {
        yard,
        zone,
        policy,
        today,
    } = day;
    let mut occasions = Vec::new();
    for date in dates {
        let occasion = |kind, since, part: String, count| Occasion {
            kind,
            subject: derived(&[
                "due",
                &clamp.to_string(),
                date.clock.code(),
                &date.day.to_string(),
                &part,
            ]),
            clamp: Some(clamp),
            yards: vec![yard],
            since,
            also: None,
            about: About {
                inspection: Some(date.clock),
                day: Some(date.day),
                count,
                ..About::default()
            },
        };
        let left = days_between(today, date.day);
        if left >= 0 {
            let reached = policy
                .due_soon_days
                .iter()
                .copied()
                .filter(|lead| left <= i64::from(*lead));
            if let Some(lead) = reached.min() {
                let told_from = date.day.checked_sub(i64::from(lead).days()).unwrap_or(date.day);
                let days = u64::try_from(left).ok();
                occasions.push(occasion(
                    NoticeKind::InspectionDueSoon,
                    zone.start_of(told_from),
                    lead.to_string(),
                    days,
                ));
            }
            continue;
        }
        let overdue = left.saturating_neg();
        let since = zone.end_of(date.day);
        occasions.push(occasion(
            NoticeKind::InspectionOverdue,
            since,
            String::new(),
            None,
        ));
        let weeks = overdue / CHASE_DAYS;
        if weeks > 0 {
            let chased = date
                .day
                .checked_add(weeks.saturating_mul(CHASE_DAYS).days())
                .unwrap_or(today);
            let count = u64::try_from(weeks).ok();
            occasions.push(occasion(
                NoticeKind::NotPresented,
                zone.start_of(chased),
                format!("week {weeks}"),
                count,
            ));
        }
    }
    occasions
}

/// What there is to tell of a lock-out that is open on a day: that it is old, or that its date comes near.
pub fn old_lockout(
    lockout: LockoutId,
    clamp: ClampId,
    (opened_at, bars_from): (Timestamp, Timestamp),
    about: &About,
    day: YardDay<'_>,
) -> Option<Occasion> {
    let YardDay {
        yard,
        zone,
        policy,
        today,
    } = day;
    let midnight = zone.start_of(today);
    let of = |kind, part: &str, since| Occasion {
        kind,
        subject: derived(&["lockout", &lockout.to_string(), part]),
        clamp: Some(clamp),
        yards: vec![yard],
        since,
        also: None,
        about: About {
            lockout_id: Some(lockout),
            bars_from: Some(bars_from),
            ..about.clone()
        },
    };
    if bars_from > midnight {
        // The last day on which it does not bar.
        let last = zone.date_at(bars_from - 1.nanosecond());
        let told_from = last.checked_sub(i64::from(policy.defect_days).days()).ok()?;
        return (told_from <= today)
            .then(|| of(NoticeKind::DefectDateNear, "near", zone.start_of(told_from)));
    }
    let opened = zone.date_at(opened_at);
    let old_from = opened.checked_add(i64::from(policy.lockout_days).days()).ok()?;
    (old_from <= today).then(|| of(NoticeKind::LockoutAgeing, "old", zone.start_of(old_from)))
}

/// That nothing was heard of a tablet since a day.
pub fn silent_tablet(
    device: DeviceId,
    name: &str,
    yards: &[YardId],
    heard_on: Date,
    day: YardDay<'_>,
) -> Option<Occasion> {
    let YardDay {
        zone, policy, today, ..
    } = day;
    let from = heard_on.checked_add(i64::from(policy.tablet_days).days()).ok()?;
    (from <= today).then(|| Occasion {
        kind: NoticeKind::TabletSilent,
        subject: derived(&["silent", &device.to_string(), &heard_on.to_string()]),
        clamp: None,
        yards: yards.to_vec(),
        since: zone.start_of(from),
        also: None,
        about: About {
            device_id: Some(device),
            detail: Some(name.to_owned()),
            day: Some(heard_on),
            count: u64::try_from(days_between(heard_on, today)).ok(),
            ..About::default()
        },
    })
}

/// That a competence ends on a day: its bearer hears of it, too.
pub fn competence_ends(
    competence: CompetenceId,
    person: PersonId,
    (name, what): (&str, &str),
    yards: &[YardId],
    last_day: Date,
    day: YardDay<'_>,
) -> Option<Occasion> {
    let YardDay {
        zone, policy, today, ..
    } = day;
    let from = last_day
        .checked_sub(i64::from(policy.competence_days).days())
        .ok()?;
    (from <= today).then(|| Occasion {
        kind: NoticeKind::CompetenceEnds,
        subject: derived(&["competence", &competence.to_string(), &last_day.to_string()]),
        clamp: None,
        yards: yards.to_vec(),
        since: zone.start_of(from),
        also: Some(person),
        about: About {
            person: Some(name.to_owned()),
            what: Some(what.to_owned()),
            day: Some(last_day),
            ..About::default()
        },
    })
}

/// That clamps of a yard which a bulletin holds are not accounted for, once more each week after it was opened.
pub fn not_accounted_for(
    id: BulletinId,
    opened: &Opened,
    outstanding: u64,
    day: YardDay<'_>,
) -> Option<Occasion> {
    let YardDay {
        yard, zone, today, ..
    } = day;
    let opened_on = zone.date_at(opened.opened_at);
    let weeks = days_between(opened_on, today) / CHASE_DAYS;
    let since = opened_on
        .checked_add(weeks.saturating_mul(CHASE_DAYS).days())
        .ok()?;
    (weeks > 0 && outstanding > 0).then(|| Occasion {
        kind: NoticeKind::BulletinNotAccountedFor,
        subject: derived(&[
            "bulletin",
            &id.to_string(),
            &yard.to_string(),
            &format!("week {weeks}"),
        ]),
        clamp: None,
        yards: vec![yard],
        since: zone.start_of(since),
        also: None,
        about: About {
            count: Some(outstanding),
            ..about_bulletin(id, opened)
        },
    })
}
