//! What a mail says, line by line: the text and the HTML show the same.

use super::one_line;
use clampward_domain::calendar::Zone;
use clampward_domain::ids::YardId;
use clampward_domain::notice::NoticeKind;
use clampward_domain::reference::{Reference, Yard};
use clampward_store::notices::MailNotice;
use jiff::Timestamp;
use jiff::civil::Date;

/// The notices of one kind.
pub(super) struct Section {
    pub title: String,
    pub next_step: &'static str,
    pub lines: Vec<Line>,
}

/// A notice.
pub(super) struct Line {
    /// What it is about: the clamp's mark where it is one.
    pub head: String,
    pub rest: String,
    /// In which yard.
    pub place: String,
    /// What else to know: that nobody saw to it before, that it is over meanwhile.
    pub remarks: Vec<&'static str>,
    /// Its path on the service.
    pub path: String,
}

/// What is worst first.
const ORDER: [NoticeKind; 17] = [
    NoticeKind::BulletinOpened,
    NoticeKind::UsedWhileNotFit,
    NoticeKind::TaggedOut,
    NoticeKind::DefectDatePassed,
    NoticeKind::BulletinNotAccountedFor,
    NoticeKind::NotPresented,
    NoticeKind::InspectionOverdue,
    NoticeKind::HeldEntryWaiting,
    NoticeKind::LockoutAgeing,
    NoticeKind::DefectDateNear,
    NoticeKind::InspectionDueSoon,
    NoticeKind::ReturnedToService,
    NoticeKind::TabletSilent,
    NoticeKind::TabletClockOff,
    NoticeKind::PaperMissing,
    NoticeKind::CompetenceEnds,
    NoticeKind::WebhookFailing,
];

/// A kind as a heading.
pub(super) const fn title(kind: NoticeKind) -> &'static str {
    match kind {
        NoticeKind::InspectionDueSoon => "inspection due soon",
        NoticeKind::InspectionOverdue => "inspection overdue",
        NoticeKind::NotPresented => "still not presented",
        NoticeKind::TaggedOut => "tagged out",
        NoticeKind::LockoutAgeing => "locked out for long",
        NoticeKind::DefectDateNear => "date of a defect comes near",
        NoticeKind::DefectDatePassed => "date of a defect has passed",
        NoticeKind::ReturnedToService => "returned to service",
        NoticeKind::UsedWhileNotFit => "used while not fit",
        NoticeKind::HeldEntryWaiting => "held entry waits",
        NoticeKind::CompetenceEnds => "competence ends",
        NoticeKind::TabletSilent => "tablet not heard of",
        NoticeKind::TabletClockOff => "clock of a tablet is off",
        NoticeKind::BulletinOpened => "safety bulletin",
        NoticeKind::BulletinNotAccountedFor => "bulletin not accounted for",
        NoticeKind::PaperMissing => "a paper is missing",
        NoticeKind::WebhookFailing => "a program is not told of events",
    }
}

/// A code as words.
pub(super) fn words(code: &str) -> String {
    one_line(&code.replace('_', " "))
}

pub(super) fn sections(notices: &[MailNotice], reference: &Reference, now: Timestamp) -> Vec<Section> {
    let of = |kind: NoticeKind| {
        let lines: Vec<Line> = notices
            .iter()
            .filter(|notice| notice.kind == kind)
            .map(|notice| line(notice, reference, now))
            .collect();
        (!lines.is_empty()).then(|| Section {
            title: capital(title(kind)),
            next_step: kind.next_step(),
            lines,
        })
    };
    ORDER.into_iter().filter_map(of).collect()
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    let first = chars.next().map(|first| first.to_uppercase().collect::<String>());
    first.unwrap_or_default() + chars.as_str()
}

fn line(notice: &MailNotice, reference: &Reference, now: Timestamp) -> Line {
    let about = &notice.about;
    let mut remarks = Vec::new();
    if notice.level > 0 {
        remarks.push("Nobody has said yet that they see to it.");
    }
    if notice.is_over {
        remarks.push("Over meanwhile.");
    }
    let yard = notice.yard.and_then(|yard| yard_now(yard, reference, now));
    let head = match (notice.kind, &about.asset_mark) {
        (_, Some(mark)) => one_line(mark),
        (NoticeKind::CompetenceEnds, None) => one_line(about.person.as_deref().unwrap_or("A person")),
        (NoticeKind::TabletSilent, None) => one_line(about.detail.as_deref().unwrap_or("A tablet")),
        (NoticeKind::TabletClockOff, None) => "A tablet".to_owned(),
        (NoticeKind::HeldEntryWaiting, None) => "An entry".to_owned(),
        (NoticeKind::BulletinOpened | NoticeKind::BulletinNotAccountedFor, None) => {
            one_line(about.detail.as_deref().unwrap_or("A bulletin"))
        }
        (NoticeKind::WebhookFailing, None) => "A webhook endpoint".to_owned(),
        (_, None) => "A clamp without a mark".to_owned(),
    };
    Line {
        head,
        rest: rest(notice, reference, now),
        place: yard.map(|yard| one_line(&yard.name)).unwrap_or_default(),
        remarks,
        path: format!("/v1/notices/{}", notice.id),
    }
}

fn rest(notice: &MailNotice, reference: &Reference, now: Timestamp) -> String {
    let about = &notice.about;
    let at = |instant| local(instant, notice.yard, reference, now);
    let what = words(about.what.as_deref().unwrap_or("a lock-out"));
    let day = about.day.map(|day| day.to_string()).unwrap_or_default();
    let by = about
        .person
        .as_deref()
        .map(|person| format!(", by {}", one_line(person)));
    let by = by.unwrap_or_default();
    let inspection = about.inspection.map_or("inspection", |clock| match clock {
        clampward_domain::notice::DueClock::Frequent => "frequent inspection",
        clampward_domain::notice::DueClock::Periodic => "periodic inspection",
    });
    let known: Vec<String> = [
        about
            .serial_number
            .as_ref()
            .map(|number| format!("serial {}", one_line(number))),
        about.model.as_ref().map(|model| one_line(model)),
    ]
    .into_iter()
    .flatten()
    .filter(|text| !text.is_empty())
    .collect();
    let said = match notice.kind {
        NoticeKind::TaggedOut => format!("{what}, since {}{by}", at(notice.since)),
        NoticeKind::InspectionDueSoon => format!("{inspection} due by the end of {day}"),
        NoticeKind::InspectionOverdue => format!("{inspection} was due by the end of {day}"),
        NoticeKind::NotPresented => {
            format!(
                "{inspection} was due by the end of {day}; week {} without it",
                about.count.unwrap_or(1)
            )
        }
        NoticeKind::LockoutAgeing => format!("{what}, not released since it was opened"),
        NoticeKind::DefectDateNear => {
            format!(
                "{what}: bars the clamp from {}",
                about.bars_from.map(at).unwrap_or_default()
            )
        }
        NoticeKind::DefectDatePassed => {
            format!(
                "{what}: bars the clamp since {}",
                about.bars_from.map(at).unwrap_or_default()
            )
        }
        NoticeKind::ReturnedToService => {
            let released = super::count(usize::try_from(about.count.unwrap_or(1)).unwrap_or(1), "lock-out");
            format!("{released} released, {}{by}", at(notice.since))
        }
        NoticeKind::UsedWhileNotFit => {
            let detail = one_line(about.detail.as_deref().unwrap_or_default());
            format!("{}{by}. {detail}", at(notice.since))
        }
        NoticeKind::HeldEntryWaiting => {
            format!(
                "since {}: {}",
                at(notice.since),
                one_line(about.detail.as_deref().unwrap_or_default())
            )
        }
        NoticeKind::CompetenceEnds => format!("{what}: ends with {day}"),
        NoticeKind::TabletSilent => format!("nothing since {day}"),
        NoticeKind::BulletinOpened => format!("{what}, since {}{by}", at(notice.since)),
        NoticeKind::BulletinNotAccountedFor => {
            let clamps = super::count(usize::try_from(about.count.unwrap_or(1)).unwrap_or(1), "clamp");
            format!("{what}: {clamps} of this yard not accounted for")
        }
        NoticeKind::PaperMissing => format!("{what} not recorded, since {}", at(notice.since)),
        NoticeKind::WebhookFailing => one_line(about.detail.as_deref().unwrap_or_default()),
        NoticeKind::TabletClockOff => {
            let device = about
                .device_id
                .map(|device| device.to_string())
                .unwrap_or_default();
            format!("device {device}, seen on {day}")
        }
    };
    if known.is_empty() {
        said
    } else {
        format!("{said} ({})", known.join(", "))
    }
}

fn yard_now(yard: YardId, reference: &Reference, now: Timestamp) -> Option<&Yard> {
    let versions = reference.yards.get(&yard)?;
    versions.at(now).map(|version| version.value.as_ref())
}

fn zone_of(yard: Option<YardId>, reference: &Reference, now: Timestamp) -> Zone {
    yard.and_then(|yard| yard_now(yard, reference, now))
        .map_or_else(Zone::utc, |yard| yard.time_zone.clone())
}

/// The day in a yard.
pub(super) fn day_of(now: Timestamp, yard: YardId, reference: &Reference) -> Date {
    zone_of(Some(yard), reference, now).date_at(now)
}

/// An instant on the clock of a yard, with the clock's name.
pub(super) fn local(
    instant: Timestamp,
    yard: Option<YardId>,
    reference: &Reference,
    now: Timestamp,
) -> String {
    let zone = zone_of(yard, reference, now);
    let time = zone.time_at(instant);
    format!(
        "{} {:02}:{:02} ({})",
        zone.date_at(instant),
        time.hour(),
        time.minute(),
        zone.name()
    )
}
