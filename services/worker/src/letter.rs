//! How a mail reads: what to do first, the clamp's mark first in each line, times on the yard's clock; as text and as HTML
//! from the same lines, readable on a phone, with nothing that would tell anybody that it was read.

mod html;
mod lines;
mod text;

use clampward_domain::notice::{NoticeForm, NoticeKind};
use clampward_domain::reference::Reference;
use clampward_store::notices::Mail;
use jiff::{SignedDuration, Timestamp};
use lines::{Section, day_of, sections, title};
use uuid::Uuid;

/// How late a mail may leave without saying so.
const ON_TIME: SignedDuration = SignedDuration::from_mins(15);
/// Most characters of a subject.
const MAX_SUBJECT: usize = 120;

/// A mail as it is handed over.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Letter {
    /// The mail's id: the same with each attempt, so that a repeat can be told.
    pub id: Uuid,
    /// Whose.
    pub name: String,
    /// Where to.
    pub address: String,
    /// The subject: one line.
    pub subject: String,
    /// As plain text.
    pub text: String,
    /// As HTML.
    pub html: String,
}

/// What a page of a mail says.
struct Page<'a> {
    subject: &'a str,
    greeting: String,
    late: Option<String>,
    sections: &'a [Section],
    /// Where notices are read and acknowledged.
    service: Option<&'a str>,
}

/// The caution that every mail bears.
const CAUTION: &str = "This mail repeats what is recorded and decides nothing. Whether a clamp may be used is answered by its \
                       fitness at the moment of the lift, by the maker's instructions, by the rules that apply where you are, \
                       and by a competent person who looks at it.";

/// Writes a mail. `service` is the address under which people know the service.
pub fn write(mail: &Mail, reference: &Reference, now: Timestamp, service: Option<&str>) -> Letter {
    let sections = sections(&mail.notices, reference, now);
    let was_to_leave = mail.notices.iter().map(|notice| notice.leaves_at).min();
    let late = was_to_leave
        .filter(|leaves_at| now.duration_since(*leaves_at) > ON_TIME)
        .map(|leaves_at| {
            let yard = mail.notices.first().and_then(|notice| notice.yard);
            format!(
                "This mail is late: it was to leave on {}.",
                lines::local(leaves_at, yard, reference, now)
            )
        });
    let subject = subject(mail, reference, late.is_some(), now);
    let page = Page {
        subject: &subject,
        greeting: format!("{},", one_line(&mail.name)),
        late,
        sections: &sections,
        service,
    };
    Letter {
        id: mail.id,
        name: one_line(&mail.name),
        address: mail.address.clone(),
        text: text::write(&page),
        html: html::write(&page),
        subject: subject.clone(),
    }
}

fn subject(mail: &Mail, reference: &Reference, is_late: bool, now: Timestamp) -> String {
    let notices = &mail.notices;
    let first = notices.first();
    let kinds: Vec<NoticeKind> = {
        let mut kinds: Vec<NoticeKind> = notices.iter().map(|notice| notice.kind).collect();
        kinds.sort_unstable();
        kinds.dedup();
        kinds
    };
    let mark = first.and_then(|notice| notice.about.asset_mark.clone());
    let said = match (kinds.as_slice(), first) {
        _ if notices.iter().all(|notice| notice.form == NoticeForm::Digest) => {
            let day = first
                .and_then(|notice| notice.yard)
                .map(|yard| day_of(now, yard, reference));
            let day = day.unwrap_or_else(|| now.to_zoned(jiff::tz::TimeZone::UTC).date());
            format!("Morning digest of {day}: {}", count(notices.len(), "notice"))
        }
        ([kind], Some(only)) => {
            let what = only.about.what.as_deref().filter(|_| notices.len() == 1);
            let what = what
                .map(|what| format!(": {}", lines::words(what)))
                .unwrap_or_default();
            let others = match notices.len() {
                1 => String::new(),
                more => format!(" and {}", count(more - 1, "more notice")),
            };
            format!(
                "{}{others}: {}{what}",
                mark.as_deref().unwrap_or("Clampward"),
                title(*kind)
            )
        }
        _ => format!(
            "{}: {}",
            mark.as_deref().unwrap_or("Clampward"),
            count(notices.len(), "notice")
        ),
    };
    let late = if is_late { "Late: " } else { "" };
    let line = one_line(&format!("{late}{said}"));
    line.chars().take(MAX_SUBJECT).collect()
}

fn count(number: usize, what: &str) -> String {
    let plural = if number == 1 { "" } else { "s" };
    format!("{number} {what}{plural}")
}

/// Without line breaks or other control characters: nothing that somebody wrote begins a new header.
fn one_line(text: &str) -> String {
    let plain = text.chars().map(|c| if c.is_control() { ' ' } else { c });
    plain.collect::<String>().trim().to_owned()
}
