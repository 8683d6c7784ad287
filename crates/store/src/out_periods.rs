//! Stored periods in which clamps are out: written with the projection, compared by `verify`, counted by reports.
//!
//! An entry that comes last replaces what was foreseen from its time on; a history that was folded again has all of its
//! periods written anew. Which periods there are is the domain's to say.

use crate::clock::whole_microseconds;
use crate::{StoreError, Tx};
use clampward_domain::fold::ClampState;
use clampward_domain::out_period::{self, OutPeriod};
use clampward_domain::reference::Reference;
use jiff::Timestamp;
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use rust_decimal::Decimal;
use sqlx::PgConnection;
use uuid::Uuid;

/// What is to be written of one clamp's periods.
#[derive(Debug, Default)]
pub(crate) enum OutUpdate {
    /// They stay as they are.
    #[default]
    Nothing,
    /// What was foreseen ends here, and these follow.
    From(Timestamp, Vec<OutPeriod>),
    /// These are all.
    Whole(Vec<OutPeriod>),
}

impl OutUpdate {
    /// Takes up that an entry counted at `from` came last and led to `state`.
    pub(crate) fn follow(&mut self, state: &ClampState, reference: &Reference, from: Timestamp) {
        let (cut_at, mut periods) = match std::mem::take(self) {
            Self::Nothing => (from, Vec::new()),
            Self::From(cut_at, periods) => (cut_at.min(from), periods),
            Self::Whole(periods) => {
                *self = Self::Whole(periods);
                return;
            }
        };
        periods.retain(|period| period.starts_at < from);
        for period in periods.iter_mut().filter(|period| period.foreseen) {
            period.foreseen = false;
            period.ends_at = Some(period.ends_at.map_or(from, |end| end.min(from)));
        }
        periods.extend(out_period::after(state, reference, from));
        *self = Self::From(cut_at, periods);
    }
}

/// A stored row: one yard of one period.
#[derive(Clone, Debug, PartialEq, sqlx::FromRow)]
pub(crate) struct Row {
    clamp_id: Uuid,
    starts_at: SqlTimestamp,
    ends_at: Option<SqlTimestamp>,
    foreseen: bool,
    yard_id: Uuid,
    in_doubt: bool,
    kind: String,
    reasons: Vec<String>,
    model_id: Uuid,
    wll_kg: Option<Decimal>,
}

impl Row {
    fn in_short(&self) -> String {
        let ends_at = self.ends_at.map(|end| end.to_jiff().to_string());
        let foreseen = if self.foreseen { ", foreseen" } else { "" };
        let ends_at = ends_at.as_deref().unwrap_or("…");
        format!(
            "{} to {ends_at}{foreseen}: {} ({}) in {}",
            self.starts_at.to_jiff(),
            self.kind,
            self.reasons.join(", "),
            self.yard_id
        )
    }
}

/// The rows of a clamp's periods, by start and yard.
pub(crate) fn rows(clamp: Uuid, periods: &[OutPeriod]) -> Vec<Row> {
    let instant = |instant: Timestamp| whole_microseconds(instant).to_sqlx();
    periods
        .iter()
        .flat_map(|period| {
            period.yards.iter().map(move |yard| Row {
                clamp_id: clamp,
                starts_at: instant(period.starts_at),
                ends_at: period.ends_at.map(instant),
                foreseen: period.foreseen,
                yard_id: yard.uuid(),
                in_doubt: period.yards.len() > 1,
                kind: period.kind.code().to_owned(),
                reasons: period.reasons.clone(),
                model_id: period.model_id.uuid(),
                wll_kg: period.wll_kg,
            })
        })
        .collect()
}

/// In what stored rows are not those of the entries.
pub(crate) fn differing(kept: &[Row], computed: &[Row]) -> String {
    let only = |these: &[Row], others: &[Row]| -> Vec<String> {
        let only = these.iter().filter(|row| !others.contains(row));
        only.map(Row::in_short).collect()
    };
    format!(
        "the stored periods in which it is out are not those of its entries; only stored: [{}], only computed: [{}]",
        only(kept, computed).join("; "),
        only(computed, kept).join("; ")
    )
}

/// The stored rows of a clamp, by start and yard.
pub(crate) async fn stored(connection: &mut PgConnection, clamp: Uuid) -> Result<Vec<Row>, StoreError> {
    Ok(sqlx::query_as(
        "-- out_periods.stored
         select clamp_id, starts_at, nullif(ends_at, 'infinity') as ends_at, foreseen, yard_id, in_doubt, kind, reasons,
           model_id, wll_kg
         from out_period where clamp_id = $1 order by starts_at, yard_id",
    )
    .bind(clamp)
    .fetch_all(connection)
    .await?)
}

/// Writes the periods of clamps whose rows are locked: in one statement, and only what changes.
pub(crate) async fn write(tx: &mut Tx, all: &[(Uuid, &OutUpdate)]) -> Result<(), StoreError> {
    let mut cuts: (Vec<Uuid>, Vec<Option<SqlTimestamp>>) = Default::default();
    let mut given: Vec<Row> = Vec::new();
    for (clamp, update) in all {
        let (cut_at, periods) = match update {
            OutUpdate::Nothing => continue,
            OutUpdate::From(cut_at, periods) => (Some(whole_microseconds(*cut_at).to_sqlx()), periods),
            OutUpdate::Whole(periods) => (None, periods),
        };
        cuts.0.push(*clamp);
        cuts.1.push(cut_at);
        given.extend(rows(*clamp, periods));
    }
    if cuts.0.is_empty() {
        return Ok(());
    }
    let reasons: Vec<String> = given
        .iter()
        .map(|row| serde_json::to_string(&row.reasons))
        .collect::<Result<_, _>>()?;
    sqlx::query(
        "-- out_periods.write
         with cut as (
           select u.clamp_id, coalesce(u.cut_at, '-infinity') as cut_at
             from unnest($1::uuid[], $2::timestamptz[]) as u(clamp_id, cut_at)
         ), given as (
           select u.clamp_id, u.starts_at, coalesce(u.ends_at, 'infinity') as ends_at, u.foreseen, u.yard_id, u.in_doubt,
                  u.kind, array(select jsonb_array_elements_text(u.reasons::jsonb)) as reasons, u.model_id, u.wll_kg
             from unnest($3::uuid[], $4::timestamptz[], $5::timestamptz[], $6::boolean[], $7::uuid[], $8::boolean[],
                         $9::text[], $10::text[], $11::uuid[], $12::numeric[])
               as u(clamp_id, starts_at, ends_at, foreseen, yard_id, in_doubt, kind, reasons, model_id, wll_kg)
         ), gone as (
           delete from out_period as p using cut as c
            where p.clamp_id = c.clamp_id and p.starts_at >= c.cut_at
              and not exists (select from given as g where g.clamp_id = p.clamp_id and g.starts_at = p.starts_at
                                and g.yard_id = p.yard_id)
         ), ended as (
           update out_period as p set ends_at = least(p.ends_at, c.cut_at), foreseen = false
             from cut as c where p.clamp_id = c.clamp_id and p.starts_at < c.cut_at and p.foreseen
         )
         insert into out_period as p (clamp_id, starts_at, ends_at, foreseen, yard_id, in_doubt, kind, reasons, model_id,
                                      wll_kg)
         select g.clamp_id, g.starts_at, g.ends_at, g.foreseen, g.yard_id, g.in_doubt, g.kind, g.reasons, g.model_id,
                g.wll_kg
           from given as g
         on conflict on constraint out_period_pkey do update
           set ends_at = excluded.ends_at, foreseen = excluded.foreseen, in_doubt = excluded.in_doubt,
               kind = excluded.kind, reasons = excluded.reasons, model_id = excluded.model_id, wll_kg = excluded.wll_kg
         where (p.ends_at, p.foreseen, p.in_doubt, p.kind, p.reasons, p.model_id, p.wll_kg)
               is distinct from (excluded.ends_at, excluded.foreseen, excluded.in_doubt, excluded.kind,
                                 excluded.reasons, excluded.model_id, excluded.wll_kg)",
    )
    .bind(&cuts.0)
    .bind(&cuts.1)
    .bind(given.iter().map(|row| row.clamp_id).collect::<Vec<_>>())
    .bind(given.iter().map(|row| row.starts_at).collect::<Vec<_>>())
    .bind(given.iter().map(|row| row.ends_at).collect::<Vec<_>>())
    .bind(given.iter().map(|row| row.foreseen).collect::<Vec<_>>())
    .bind(given.iter().map(|row| row.yard_id).collect::<Vec<_>>())
    .bind(given.iter().map(|row| row.in_doubt).collect::<Vec<_>>())
    .bind(given.iter().map(|row| row.kind.as_str()).collect::<Vec<_>>())
    .bind(&reasons)
    .bind(given.iter().map(|row| row.model_id).collect::<Vec<_>>())
    .bind(given.iter().map(|row| row.wll_kg).collect::<Vec<_>>())
    .execute(&mut **tx)
    .await?;
    Ok(())
}
