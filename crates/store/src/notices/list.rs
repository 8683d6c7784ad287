//! Notices as their recipients see them, and whoever answers for a yard.

use crate::reference::word;
use crate::{Store, StoreError};
use clampward_domain::ids::{ClampId, PersonId, YardId};
use clampward_domain::notice::{About, NoticeForm, NoticeKind};
use clampward_domain::reference::YardScope;
use jiff::Timestamp;
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use sqlx::PgConnection;
use sqlx::types::Json;
use uuid::Uuid;

/// A notice.
#[derive(Clone, Debug, PartialEq)]
pub struct NoticeRecord {
    /// Its id.
    pub id: Uuid,
    /// What it is about.
    pub kind: NoticeKind,
    /// How it leaves.
    pub form: NoticeForm,
    /// The step of its escalation, from 0.
    pub level: u16,
    /// Who is told.
    pub recipient: PersonId,
    /// The clamp.
    pub clamp: Option<ClampId>,
    /// The yards that it concerns; none: all.
    pub yards: Vec<YardId>,
    /// What it says.
    pub about: About,
    /// Since when there is something to tell.
    pub since: Timestamp,
    /// When it was raised.
    pub raised_at: Timestamp,
    /// When it leaves by mail, or was to leave.
    pub leaves_at: Timestamp,
    /// When it was handed over.
    pub mailed_at: Option<Timestamp>,
    /// Why it was not, if that was given up.
    pub not_mailed_because: Option<String>,
    /// When the matter was over.
    pub settled_at: Option<Timestamp>,
    /// When somebody acknowledged it.
    pub acknowledged_at: Option<Timestamp>,
    /// Who.
    pub acknowledged_by: Option<PersonId>,
}

/// Which notices.
#[derive(Clone, Debug, Default)]
pub struct NoticeFilter {
    /// To this person.
    pub recipient: Option<PersonId>,
    /// Of this kind.
    pub kind: Option<NoticeKind>,
    /// About this clamp.
    pub clamp: Option<ClampId>,
    /// Whether they are open: neither acknowledged nor over.
    pub open: Option<bool>,
}

#[derive(sqlx::FromRow)]
struct Row {
    id: Uuid,
    kind: String,
    form: String,
    level: i16,
    recipient: Uuid,
    clamp_id: Option<Uuid>,
    yards: Vec<Uuid>,
    about: Json<About>,
    since: SqlTimestamp,
    raised_at: SqlTimestamp,
    leaves_at: SqlTimestamp,
    mailed_at: Option<SqlTimestamp>,
    dead_because: Option<String>,
    settled_at: Option<SqlTimestamp>,
    acknowledged_at: Option<SqlTimestamp>,
    acknowledged_by: Option<Uuid>,
}

impl Row {
    fn read(self) -> Result<NoticeRecord, StoreError> {
        let instant = |instant: Option<SqlTimestamp>| instant.map(|instant| instant.to_jiff());
        Ok(NoticeRecord {
            id: self.id,
            kind: word("notice", "kind", self.id, &self.kind)?,
            form: word("notice", "form", self.id, &self.form)?,
            level: self.level.unsigned_abs(),
            recipient: PersonId::new(self.recipient),
            clamp: self.clamp_id.map(ClampId::new),
            yards: self.yards.into_iter().map(YardId::new).collect(),
            about: self.about.0,
            since: self.since.to_jiff(),
            raised_at: self.raised_at.to_jiff(),
            leaves_at: self.leaves_at.to_jiff(),
            mailed_at: instant(self.mailed_at),
            not_mailed_because: self.dead_because,
            settled_at: instant(self.settled_at),
            acknowledged_at: instant(self.acknowledged_at),
            acknowledged_by: self.acknowledged_by.map(PersonId::new),
        })
    }
}

const COLUMNS: &str = "select n.id, n.kind, n.form, n.level, n.recipient, n.clamp_id, n.yards, n.about, n.since,
   n.raised_at, n.leaves_at, m.sent_at as mailed_at, m.dead_because, n.settled_at, n.acknowledged_at, n.acknowledged_by
   from notice as n left join mail as m on m.id = n.mail_id";

impl Store {
    /// Notices of these yards, the newest first, after one of them.
    pub async fn notices(
        &self,
        yards: &YardScope,
        filter: &NoticeFilter,
        after: Option<(Timestamp, Uuid)>,
        limit: u32,
    ) -> Result<Vec<NoticeRecord>, StoreError> {
        let mut tx = self.read(yards).await?;
        let mut query = sqlx::QueryBuilder::new("-- notices.list\n");
        query.push(COLUMNS).push(" where true");
        if let Some(recipient) = filter.recipient {
            query.push(" and n.recipient = ").push_bind(recipient.uuid());
        }
        if let Some(kind) = filter.kind {
            query.push(" and n.kind = ").push_bind(kind.code());
        }
        if let Some(clamp) = filter.clamp {
            query.push(" and n.clamp_id = ").push_bind(clamp.uuid());
        }
        match filter.open {
            Some(true) => {
                query.push(" and n.acknowledged_at is null and n.settled_at is null");
            }
            Some(false) => {
                query.push(" and (n.acknowledged_at is not null or n.settled_at is not null)");
            }
            None => {}
        }
        if let Some((at, id)) = after {
            query
                .push(" and (n.raised_at, n.id) < (")
                .push_bind(at.to_sqlx())
                .push(", ")
                .push_bind(id)
                .push(")");
        }
        query
            .push(" order by n.raised_at desc, n.id desc limit ")
            .push_bind(i64::from(limit));
        let rows: Vec<Row> = query.build_query_as().fetch_all(&mut *tx).await?;
        tx.finish().await?;
        rows.into_iter().map(Row::read).collect()
    }

    /// A notice to this person.
    pub async fn notice(&self, recipient: PersonId, id: Uuid) -> Result<Option<NoticeRecord>, StoreError> {
        let mut tx = self.read(&YardScope::All).await?;
        let row = of_recipient(&mut tx, recipient, id).await?;
        tx.finish().await?;
        row.map(Row::read).transpose()
    }

    /// Notes that its recipient sees to it; the first time counts. Nothing if there is no such notice to this person.
    pub async fn acknowledge_notice(
        &self,
        recipient: PersonId,
        id: Uuid,
    ) -> Result<Option<NoticeRecord>, StoreError> {
        let now = self.now();
        let row = self
            .run_tx("notices.acknowledge", async |tx| {
                sqlx::query(
                    "-- notices.acknowledge
                     update notice set acknowledged_at = coalesce(acknowledged_at, $3),
                            acknowledged_by = coalesce(acknowledged_by, $2), escalates_at = null
                      where id = $1 and recipient = $2",
                )
                .bind(id)
                .bind(recipient.uuid())
                .bind(now.to_sqlx())
                .execute(&mut **tx)
                .await?;
                of_recipient(tx, recipient, id).await
            })
            .await?;
        row.map(Row::read).transpose()
    }
}

async fn of_recipient(
    connection: &mut PgConnection,
    recipient: PersonId,
    id: Uuid,
) -> Result<Option<Row>, StoreError> {
    let sql = sqlx::AssertSqlSafe(format!(
        "-- notices.read\n{COLUMNS} where n.id = $1 and n.recipient = $2"
    ));
    Ok(sqlx::query_as(sql)
        .bind(id)
        .bind(recipient.uuid())
        .fetch_optional(connection)
        .await?)
}
