//! Notices: what a safety team is told without having to look, to whom, in which form, and who hears of it next.
//!
//! A notice is about one *subject*: a lock-out, an entry, a due date, never a clamp alone, so that a second tag-out is a
//! second notice. Everything here is a pure function of what is recorded and an instant; whoever works it out twice comes to
//! the same ids. Which yard wants what when is the yard's to set ([`NoticePolicy`]); what is not set is common practice.

mod dates;
mod entries;
mod policy;

pub use dates::{
    DueClock, DueDate, YardDay, competence_ends, due, not_accounted_for, old_lockout, silent_tablet,
};
pub use entries::{Paper, of_bulletin, of_entry, of_held_entry, settled_paper};
pub use policy::{HourAndMinute, MAX_DAYS, MAX_LEADS, NoticePolicy};

use crate::calendar::Zone;
use crate::ids::{BulletinId, ClampId, DERIVED, DeviceId, EntryId, LockoutId, PersonId, YardId};
use crate::reference::{Grant, Reference, Yard, YardScope};
use crate::words::{Component, Grade, Role, words};
use jiff::civil::{Date, Time};
use jiff::{Timestamp, ToSpan};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

words! {
    /// What a notice is about.
    NoticeKind {
        /// An inspection falls due within days.
        InspectionDueSoon = "inspection_due_soon",
        /// An inspection is overdue: the clamp is not fit.
        InspectionOverdue = "inspection_overdue",
        /// An overdue clamp was not presented for another week.
        NotPresented = "not_presented",
        /// A lock-out bars a clamp.
        TaggedOut = "tagged_out",
        /// A lock-out stays open for long.
        LockoutAgeing = "lockout_ageing",
        /// The day by which a defect is to be put right comes near.
        DefectDateNear = "defect_date_near",
        /// The day by which a defect was to be put right has passed: it bars the clamp.
        DefectDatePassed = "defect_date_passed",
        /// Lock-outs of a clamp were released.
        ReturnedToService = "returned_to_service",
        /// A clamp was used while it was not fit, or a load was lifted against a stop.
        UsedWhileNotFit = "used_while_not_fit",
        /// What a device sent waits for a person to place it.
        HeldEntryWaiting = "held_entry_waiting",
        /// A competence ends within days.
        CompetenceEnds = "competence_ends",
        /// Nothing was heard of a tablet for days.
        TabletSilent = "tablet_silent",
        /// A tablet's clock is off.
        TabletClockOff = "tablet_clock_off",
        /// A safety bulletin was opened.
        BulletinOpened = "bulletin_opened",
        /// Clamps of a yard that a bulletin holds are not accounted for after another week.
        BulletinNotAccountedFor = "bulletin_not_accounted_for",
        /// A paper that the rules or the yard ask for is not recorded: a declaration of conformity, the proof test after a repair.
        PaperMissing = "paper_missing",
        /// A program is not told of events any more, or not of all of them.
        WebhookFailing = "webhook_failing",
    }
    /// How a notice leaves.
    NoticeForm {
        /// As soon as it is known.
        AtOnce = "at_once",
        /// With the yard's morning digest.
        Digest = "digest",
    }
}

/// Days between two chases of an overdue clamp.
const CHASE_DAYS: i64 = 7;

/// Who hears of a kind of notice, how, and who hears of it if nobody says that they have seen to it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Manner {
    /// How it leaves.
    pub form: NoticeForm,
    /// One step after the other: the roles of a step, and the days until the next one unless somebody acknowledges it or
    /// the matter is over.
    pub steps: &'static [Step],
}

/// A step of an escalation.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Step {
    /// Who hears of it, each for the yards they answer for.
    pub roles: &'static [Role],
    /// Days until the next step.
    pub days: u8,
}

const fn step(roles: &'static [Role], days: u8) -> Step {
    Step { roles, days }
}

impl NoticeKind {
    /// Who hears of it and how. Who answers for a yard hears first, then the safety team, then whoever runs the service.
    pub const fn manner(self) -> Manner {
        const LEAD: &[Role] = &[Role::YardLead];
        const LEAD_AND_STORES: &[Role] = &[Role::YardLead, Role::StoreKeeper];
        const LEAD_AND_SAFETY: &[Role] = &[Role::YardLead, Role::Safety];
        const LEAD_AND_TECHNICIAN: &[Role] = &[Role::YardLead, Role::Technician];
        const SAFETY: &[Role] = &[Role::Safety];
        const ADMINISTRATOR: &[Role] = &[Role::Administrator];
        let (form, steps): (NoticeForm, &'static [Step]) = match self {
            Self::InspectionDueSoon => (NoticeForm::Digest, const { &[step(LEAD_AND_STORES, 0)] }),
            Self::InspectionOverdue => (
                NoticeForm::Digest,
                const { &[step(LEAD_AND_STORES, 3), step(SAFETY, 0)] },
            ),
            Self::NotPresented => (NoticeForm::Digest, const { &[step(LEAD_AND_SAFETY, 0)] }),
            Self::TaggedOut => (
                NoticeForm::AtOnce,
                const { &[step(LEAD, 2), step(SAFETY, 5), step(ADMINISTRATOR, 0)] },
            ),
            Self::LockoutAgeing => (NoticeForm::Digest, const { &[step(LEAD, 7), step(SAFETY, 0)] }),
            Self::DefectDateNear => (NoticeForm::Digest, const { &[step(LEAD_AND_TECHNICIAN, 0)] }),
            Self::DefectDatePassed => (NoticeForm::AtOnce, const { &[step(LEAD, 2), step(SAFETY, 0)] }),
            Self::ReturnedToService => (NoticeForm::AtOnce, const { &[step(LEAD_AND_STORES, 0)] }),
            Self::UsedWhileNotFit => (
                NoticeForm::AtOnce,
                const { &[step(LEAD_AND_SAFETY, 2), step(ADMINISTRATOR, 0)] },
            ),
            Self::HeldEntryWaiting => (NoticeForm::AtOnce, const { &[step(LEAD, 2), step(SAFETY, 0)] }),
            Self::CompetenceEnds => (NoticeForm::Digest, const { &[step(SAFETY, 0)] }),
            Self::BulletinOpened => (
                NoticeForm::AtOnce,
                const { &[step(LEAD_AND_STORES, 1), step(SAFETY, 0)] },
            ),
            Self::BulletinNotAccountedFor => (NoticeForm::Digest, const { &[step(LEAD_AND_SAFETY, 0)] }),
            Self::PaperMissing => (NoticeForm::Digest, const { &[step(LEAD, 14), step(SAFETY, 0)] }),
            Self::WebhookFailing => (NoticeForm::AtOnce, const { &[step(ADMINISTRATOR, 0)] }),
            Self::TabletSilent | Self::TabletClockOff => {
                (NoticeForm::Digest, const { &[step(LEAD, 7), step(SAFETY, 0)] })
            }
        };
        Manner { form, steps }
    }

    /// What to do next, in one sentence.
    pub const fn next_step(self) -> &'static str {
        match self {
            Self::InspectionDueSoon => "Have the clamp presented for inspection by the day named.",
            Self::InspectionOverdue => {
                "Do not lift with it: take the clamp in and have it inspected by a designated or qualified person."
            }
            Self::NotPresented => {
                "Find the clamp, keep it from use, and have it inspected; if it cannot be found, say so to the safety team."
            }
            Self::TaggedOut => {
                "Make sure that the tag hangs on the clamp and that nobody lifts with it until a named person returns it to service."
            }
            Self::LockoutAgeing => "Decide: have it repaired and inspected again, or retire it.",
            Self::DefectDateNear => {
                "Have the defect put right and the clamp inspected before the day named: it bars the clamp from then on."
            }
            Self::DefectDatePassed => "Tag the clamp out by hand if it is in use: the defect bars it now.",
            Self::ReturnedToService => {
                "Take the tag off only if nothing else bars the clamp: ask for its fitness before the next lift."
            }
            Self::UsedWhileNotFit => {
                "Stop the clamp, find out what was lifted with it, and have a qualified person look at it."
            }
            Self::HeldEntryWaiting => {
                "Place the entry on its clamp, or dismiss it with a reason; what it may bar stays barred meanwhile."
            }
            Self::CompetenceEnds => {
                "Have the competence renewed and recorded; what the person signs afterwards does not count."
            }
            Self::TabletSilent => {
                "Find the tablet and bring it to a network: what is recorded on it is not known here."
            }
            Self::TabletClockOff => {
                "Set the tablet's clock; when its entries count was worked out without it."
            }
            Self::BulletinOpened => {
                "Read the bulletin, keep every clamp in its scope from use, also those that are not registered, and say that you have read it."
            }
            Self::BulletinNotAccountedFor => {
                "Have each clamp that the bulletin holds inspected for it, or scrapped; of one that cannot be found, say who looks for it and until when."
            }
            Self::PaperMissing => {
                "Have the paper found or the test made, and recorded; without it the clamp is examined before its first use, or stays tagged out."
            }
            Self::WebhookFailing => {
                "Find out what keeps the program from its events, have it mended, and let the endpoint go on; until then its counts are old."
            }
        }
    }

    /// Whether it is told of somebody's duty that ends when it is done, so that nobody needs to hear of it afterwards.
    pub const fn is_over_when_settled(self) -> bool {
        match self {
            Self::InspectionDueSoon
            | Self::InspectionOverdue
            | Self::NotPresented
            | Self::LockoutAgeing
            | Self::DefectDateNear
            | Self::PaperMissing
            | Self::BulletinNotAccountedFor => true,
            Self::TaggedOut
            | Self::DefectDatePassed
            | Self::ReturnedToService
            | Self::UsedWhileNotFit
            | Self::HeldEntryWaiting
            | Self::CompetenceEnds
            | Self::TabletSilent
            | Self::TabletClockOff
            | Self::BulletinOpened
            | Self::WebhookFailing => false,
        }
    }
}

/// What a notice says beside its kind: every fact that is known, none that is guessed.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(default)]
pub struct About {
    /// The clamp's mark.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub asset_mark: Option<String>,
    /// Its serial number.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub serial_number: Option<String>,
    /// Its maker and model.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub model: Option<String>,
    /// The criterion or reason.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub what: Option<String>,
    /// The part.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub component: Option<Component>,
    /// How bad.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub grade: Option<Grade>,
    /// It bars from here on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bars_from: Option<Timestamp>,
    /// Which inspection falls due.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub inspection: Option<DueClock>,
    /// The day in question, in the yard.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub day: Option<Date>,
    /// How many: days of silence, weeks overdue, lock-outs released.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub count: Option<u64>,
    /// The lock-out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lockout_id: Option<LockoutId>,
    /// The entry that it follows from.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub entry_id: Option<EntryId>,
    /// Who did it, or whose it is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub person: Option<String>,
    /// The device.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub device_id: Option<DeviceId>,
    /// The bulletin.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bulletin_id: Option<BulletinId>,
    /// Anything else in words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub detail: Option<String>,
}

/// Something that somebody is to be told.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Occasion {
    /// What kind.
    pub kind: NoticeKind,
    /// What it is about; derived where the thing has no id of its own.
    pub subject: Uuid,
    /// The clamp.
    pub clamp: Option<ClampId>,
    /// The yards whose people hear of it; none: those who answer for all of them.
    pub yards: Vec<YardId>,
    /// Since when there is something to tell.
    pub since: Timestamp,
    /// Somebody who hears of it whatever their role.
    pub also: Option<PersonId>,
    /// What it says.
    pub about: About,
}

/// The id of a notice: one for each subject, kind and recipient, whoever works it out.
pub fn notice_id(subject: Uuid, kind: NoticeKind, recipient: PersonId) -> Uuid {
    derived(&[
        "notice",
        &subject.to_string(),
        kind.code(),
        &recipient.to_string(),
    ])
}

/// The subject of a notice that an endpoint is paused: each version of it is paused once.
pub fn webhook_paused(endpoint: Uuid, version: u64) -> Uuid {
    derived(&["webhook", &endpoint.to_string(), &version.to_string()])
}

/// The subject of a notice that something was given up of which an endpoint was to be told: one for a day.
pub fn webhook_gave_up(endpoint: Uuid, day: Date) -> Uuid {
    derived(&["webhook gave up", &endpoint.to_string(), &day.to_string()])
}

/// The subject of something that has no id of its own.
fn derived(parts: &[&str]) -> Uuid {
    Uuid::new_v5(&DERIVED, parts.join("\u{1f}").as_bytes())
}

/// When a notice of this form leaves that is known at `now`: with the next morning digest, if it is one for it.
pub fn leaves_at(form: NoticeForm, yard: Option<&Yard>, now: Timestamp) -> Timestamp {
    match form {
        NoticeForm::AtOnce => now,
        NoticeForm::Digest => {
            let usual = NoticePolicy::default();
            let (zone, policy) = yard.map_or((Zone::utc(), &usual), |yard| {
                (yard.time_zone.clone(), &yard.notices)
            });
            next_digest(&zone, policy.digest_at.0, now)
        }
    }
}

/// The first instant from `now` on at which the clock of a zone shows a time: where a gap leaves it out, as much later as
/// the gap is long; where it comes twice, the first.
fn next_digest(zone: &Zone, at: Time, now: Timestamp) -> Timestamp {
    let mut day = zone.date_at(now);
    for _ in 0..3 {
        let instant = zone.instant(day, at);
        if instant >= now {
            return instant;
        }
        match day.tomorrow() {
            Ok(next) => day = next,
            Err(_) => break,
        }
    }
    now
}

/// When the next step of an escalation is due: after whole days on the yard's clock.
pub fn escalates_at(
    kind: NoticeKind,
    level: usize,
    yard: Option<&Yard>,
    from: Timestamp,
) -> Option<Timestamp> {
    let steps = kind.manner().steps;
    let days = steps.get(level)?.days;
    steps.get(level.saturating_add(1))?;
    let zone = yard.map_or_else(Zone::utc, |yard| yard.time_zone.clone());
    let day = zone.date_at(from).checked_add(i64::from(days).days()).ok()?;
    Some(zone.instant(day, zone.time_at(from)))
}

/// Who hears of an occasion at a step: everybody who holds one of its roles in one of its yards at the instant, among those
/// who can be told. Where nobody does, the next step's hear of it at once: what nobody answers for is told to somebody, at last
/// to whoever runs the service. With them comes the step that it came to. `can_be_told` leaves out who was told already, so that
/// a step of the same people is none.
pub fn recipients(
    occasion: &Occasion,
    from_level: usize,
    reference: &Reference,
    can_be_told: &dyn Fn(PersonId) -> bool,
    at: Timestamp,
) -> (usize, Vec<PersonId>) {
    let steps = occasion.kind.manner().steps;
    let also = occasion
        .also
        .filter(|person| from_level == 0 && can_be_told(*person));
    for (level, step) in steps.iter().enumerate().skip(from_level) {
        let mut found = holders(step.roles, &occasion.yards, reference, can_be_told, at);
        if !found.is_empty() {
            found.extend(also);
            found.sort_unstable();
            found.dedup();
            return (level, found);
        }
    }
    let last = steps.len().saturating_sub(1);
    let mut anybody = holders(&[Role::Safety], &occasion.yards, reference, can_be_told, at);
    if anybody.is_empty() {
        let runs_it = |grant: &Grant| grant.roles.contains(&Role::Administrator);
        anybody = granted(reference, can_be_told, at, &runs_it);
    }
    anybody.extend(also);
    anybody.sort_unstable();
    anybody.dedup();
    (last, anybody)
}

fn holders(
    roles: &[Role],
    yards: &[YardId],
    reference: &Reference,
    can_be_told: &dyn Fn(PersonId) -> bool,
    at: Timestamp,
) -> Vec<PersonId> {
    granted(reference, can_be_told, at, &|grant| {
        // What is no yard's concerns those who answer for all of them.
        let theirs = match yards {
            [] => grant.yards == YardScope::All,
            yards => yards.iter().any(|yard| grant.yards.covers(*yard)),
        };
        theirs && grant.roles.iter().any(|role| roles.contains(role))
    })
}

fn granted(
    reference: &Reference,
    can_be_told: &dyn Fn(PersonId) -> bool,
    at: Timestamp,
    fits: &dyn Fn(&Grant) -> bool,
) -> Vec<PersonId> {
    let people = reference.people.iter();
    let found = people.filter(|(id, person)| person.grant_at(at).is_some_and(fits) && can_be_told(**id));
    found.map(|(id, _)| *id).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_is_told_to_somebody_and_says_what_to_do() {
        for kind in NoticeKind::ALL {
            let manner = kind.manner();
            assert!(!manner.steps.is_empty() && !kind.next_step().is_empty(), "{kind}");
            let (last, others) = manner.steps.split_last().unwrap();
            assert_eq!(last.days, 0, "{kind}: nobody comes after the last step");
            assert!(others.iter().all(|step| step.days > 0), "{kind}");
        }
    }

    #[test]
    fn what_nobody_answers_for_is_told_to_the_next_and_at_last_to_whoever_runs_the_service() {
        use crate::reference::Person;
        use uuid::Uuid;
        let (yard, other) = (YardId::new(Uuid::from_u128(1)), YardId::new(Uuid::from_u128(2)));
        let at: Timestamp = "2026-03-02T08:00:00Z".parse().unwrap();
        let person = |role, yards| Person {
            name: String::new(),
            grants: vec![Grant {
                recorded_at: at,
                roles: vec![role],
                yards,
            }],
            competences: vec![],
        };
        let id = |number| PersonId::new(Uuid::from_u128(number));
        let mut reference = Reference::default();
        reference
            .people
            .insert(id(1), person(Role::YardLead, YardScope::Some(vec![other])));
        reference
            .people
            .insert(id(2), person(Role::Safety, YardScope::All));
        reference
            .people
            .insert(id(3), person(Role::Administrator, YardScope::All));
        let occasion = Occasion {
            kind: NoticeKind::TaggedOut,
            subject: Uuid::nil(),
            clamp: None,
            yards: vec![yard],
            since: at,
            also: None,
            about: About::default(),
        };
        let told = |reference: &Reference, closed: &[PersonId]| {
            recipients(&occasion, 0, reference, &|person| !closed.contains(&person), at)
        };
        assert_eq!(told(&reference, &[]), (1, vec![id(2)]));
        assert_eq!(told(&reference, &[id(2)]), (2, vec![id(3)]));
        assert_eq!(told(&reference, &[id(2), id(3)]), (2, vec![]));
        reference
            .people
            .insert(id(4), person(Role::YardLead, YardScope::All));
        assert_eq!(told(&reference, &[]), (0, vec![id(4)]));
    }
}
