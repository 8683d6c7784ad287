//! Notices on the wire.

use crate::reply::{Cells, Columns};
use clampward_domain::ids::{ClampId, PersonId, YardId};
use clampward_domain::notice::{About, NoticeForm, NoticeKind};
use clampward_store::notices::NoticeRecord;
use jiff::Timestamp;
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

/// A notice: somebody is told of one lock-out, entry or date, once.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct NoticeView {
    /// Its id: the same whoever works it out, from what it is about, its kind and its recipient.
    pub id: Uuid,
    /// What it is about.
    pub kind: NoticeKind,
    /// How it leaves.
    pub form: NoticeForm,
    /// The step of its escalation: 0 for those who hear of it first.
    #[schema(minimum = 0, maximum = 10)]
    pub level: u16,
    /// Who is told.
    pub recipient: PersonId,
    /// The clamp; null if it is about something else.
    #[schema(required = true)]
    pub clamp_id: Option<ClampId>,
    /// The yards that it concerns; none: all of them.
    #[schema(max_items = 1000)]
    pub yards: Vec<YardId>,
    /// What it says: every fact that is known.
    pub about: About,
    /// What to do next.
    pub next_step: &'static str,
    /// Since when there is something to tell.
    pub since: Timestamp,
    /// When it was raised.
    pub raised_at: Timestamp,
    /// When it leaves by mail, or was to leave.
    pub leaves_at: Timestamp,
    /// When it was handed over to the mail server; null if it was not.
    #[schema(required = true)]
    pub mailed_at: Option<Timestamp>,
    /// Why handing it over was given up; null if it was not.
    #[schema(required = true)]
    pub not_mailed_because: Option<String>,
    /// When the matter was over; null while it is not.
    #[schema(required = true)]
    pub settled_at: Option<Timestamp>,
    /// When its recipient said that they see to it; null if nobody has.
    #[schema(required = true)]
    pub acknowledged_at: Option<Timestamp>,
    /// Who; null if nobody has.
    #[schema(required = true)]
    pub acknowledged_by: Option<PersonId>,
}

impl From<NoticeRecord> for NoticeView {
    fn from(notice: NoticeRecord) -> Self {
        Self {
            id: notice.id,
            kind: notice.kind,
            form: notice.form,
            level: notice.level,
            recipient: notice.recipient,
            clamp_id: notice.clamp,
            yards: notice.yards,
            about: notice.about,
            next_step: notice.kind.next_step(),
            since: notice.since,
            raised_at: notice.raised_at,
            leaves_at: notice.leaves_at,
            mailed_at: notice.mailed_at,
            not_mailed_because: notice.not_mailed_because,
            settled_at: notice.settled_at,
            acknowledged_at: notice.acknowledged_at,
            acknowledged_by: notice.acknowledged_by,
        }
    }
}

impl Columns for NoticeView {
    const NAMES: &'static [&'static str] = &[
        "id",
        "kind",
        "form",
        "level",
        "recipient",
        "clamp_id",
        "asset_mark",
        "what",
        "day",
        "yards",
        "since",
        "raised_at",
        "leaves_at",
        "mailed_at",
        "not_mailed_because",
        "settled_at",
        "acknowledged_at",
        "acknowledged_by",
    ];
    fn cells(&self, row: &mut Cells<'_>) {
        row.plain(self.id)
            .plain(self.kind)
            .plain(self.form)
            .plain(self.level)
            .plain(self.recipient)
            .maybe(self.clamp_id)
            .maybe_text(self.about.asset_mark.as_deref())
            .maybe_text(self.about.what.as_deref())
            .maybe(self.about.day)
            .words(&self.yards)
            .plain(self.since)
            .plain(self.raised_at)
            .plain(self.leaves_at)
            .maybe(self.mailed_at)
            .maybe_text(self.not_mailed_because.as_deref())
            .maybe(self.settled_at)
            .maybe(self.acknowledged_at)
            .maybe(self.acknowledged_by);
    }
}
