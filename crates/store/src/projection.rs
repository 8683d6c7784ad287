//! The projection: what is kept of a clamp beside its entries, written with them and nowhere else.
//!
//! Everything here is computed from the entries and can be thrown away and computed again; `verify` does so and compares.

use crate::clock::whole_microseconds;
use crate::out_periods::{self, OutUpdate};
use crate::{StoreError, Tx};
use clampward_domain::fold::ClampState;
use clampward_domain::ids::ClampId;
use clampward_domain::lockout::Lockout;
use clampward_domain::mark::{exact_key, look_alike_key};
use clampward_domain::projection::Projection;
use clampward_domain::reference::Reference;
use jiff::Timestamp;
use jiff_sqlx::{Date as SqlDate, Timestamp as SqlTimestamp, ToSqlx};
use rust_decimal::Decimal;
use uuid::Uuid;

/// The columns of a clamp that are compared with: by lists, by `verify`, by the reassessment.
#[derive(Clone, Debug, PartialEq, sqlx::FromRow)]
pub(crate) struct Columns {
    pub(crate) id: Uuid,
    pub(crate) yards: Vec<Uuid>,
    pub(crate) model_id: Option<Uuid>,
    pub(crate) maker: Option<String>,
    pub(crate) maker_key: Option<String>,
    pub(crate) model: Option<String>,
    pub(crate) asset_mark: Option<String>,
    pub(crate) mark_key: Option<String>,
    pub(crate) mark_look_alike_key: Option<String>,
    pub(crate) serial_number: Option<String>,
    pub(crate) serial_key: Option<String>,
    pub(crate) service_class: Option<String>,
    pub(crate) wll_kg: Option<Decimal>,
    pub(crate) in_service_from: Option<SqlTimestamp>,
    pub(crate) retired_at: Option<SqlTimestamp>,
    pub(crate) bars_from: Option<SqlTimestamp>,
    pub(crate) fit_until: Option<SqlTimestamp>,
    pub(crate) due_frequent: Option<SqlDate>,
    pub(crate) due_periodic: Option<SqlDate>,
    pub(crate) next_due_at: Option<SqlTimestamp>,
}

impl Columns {
    /// The columns of a state at an instant.
    pub(crate) fn of(state: &ClampState, reference: &Reference, at: Timestamp) -> Self {
        let projection = Projection::of(state, reference, at);
        let model = projection
            .model_id
            .and_then(|id| reference.model_at(id, at))
            .map(|version| &version.value);
        let instant =
            |instant: Option<Timestamp>| instant.map(|instant| whole_microseconds(instant).to_sqlx());
        Self {
            id: state.clamp.uuid(),
            yards: projection.yards.iter().map(|yard| yard.uuid()).collect(),
            model_id: projection.model_id.map(|id| id.uuid()),
            maker: model.map(|model| model.maker.clone()),
            maker_key: model.map(|model| exact_key(&model.maker)),
            model: model.map(|model| model.model.clone()),
            mark_key: projection.asset_mark.as_deref().map(exact_key),
            mark_look_alike_key: projection.asset_mark.as_deref().map(look_alike_key),
            asset_mark: projection.asset_mark,
            serial_key: projection.serial_number.as_deref().map(exact_key),
            serial_number: projection.serial_number,
            service_class: projection.service_class.map(|class| class.code().to_owned()),
            wll_kg: projection.wll_kg,
            in_service_from: instant(projection.in_service_from),
            retired_at: instant(projection.retired_at),
            bars_from: instant(projection.bars_from),
            fit_until: instant(projection.fit_until),
            due_frequent: projection.due_frequent.map(ToSqlx::to_sqlx),
            due_periodic: projection.due_periodic.map(ToSqlx::to_sqlx),
            next_due_at: instant(projection.next_due_at),
        }
    }
}

/// What is to be written of one clamp.
pub(crate) struct Written {
    pub(crate) columns: Columns,
    state: String,
    lockouts: Vec<Lockout>,
    /// Whether the lock-outs are all there are, because the state comes from the whole history.
    is_whole: bool,
    out_periods: OutUpdate,
}

impl Written {
    /// Takes the closed lock-outs out of the state and computes the columns.
    pub(crate) fn of(
        state: &mut ClampState,
        is_whole: bool,
        out_periods: OutUpdate,
        reference: &Reference,
        at: Timestamp,
    ) -> Result<Self, StoreError> {
        let mut lockouts = state.take_closed();
        lockouts.extend(state.lockouts.values().cloned());
        let columns = Columns::of(state, reference, at);
        Ok(Self {
            columns,
            state: serde_json::to_string(state)?,
            lockouts,
            is_whole,
            out_periods,
        })
    }
}

/// Writes projections. The clamps' rows are there and locked.
pub(crate) async fn write(tx: &mut Tx, all: Vec<Written>, reference_version: u64) -> Result<(), StoreError> {
    if all.is_empty() {
        return Ok(());
    }
    write_lockouts(tx, &all).await?;
    let periods: Vec<(Uuid, &OutUpdate)> = all.iter().map(|one| (one.columns.id, &one.out_periods)).collect();
    out_periods::write(tx, &periods).await?;
    write_clamps(tx, &all, reference_version).await
}

async fn write_clamps(tx: &mut Tx, all: &[Written], reference_version: u64) -> Result<(), StoreError> {
    let columns = |column: fn(&Columns) -> Option<String>| -> Vec<Option<String>> {
        all.iter().map(|one| column(&one.columns)).collect()
    };
    let instants = |column: fn(&Columns) -> Option<SqlTimestamp>| -> Vec<Option<SqlTimestamp>> {
        all.iter().map(|one| column(&one.columns)).collect()
    };
    let days = |column: fn(&Columns) -> Option<SqlDate>| -> Vec<Option<SqlDate>> {
        all.iter().map(|one| column(&one.columns)).collect()
    };
    let written = sqlx::query(
        "-- projection.write_clamps
         update clamp as c set state = u.state::json, reference_version = $2, projected_at = $3,
           yards = u.yards::uuid[], model_id = u.model_id, maker = u.maker, maker_key = u.maker_key, model = u.model,
           asset_mark = u.asset_mark, mark_key = u.mark_key, mark_look_alike_key = u.mark_look_alike_key,
           serial_number = u.serial_number, serial_key = u.serial_key, service_class = u.service_class,
           wll_kg = u.wll_kg, in_service_from = u.in_service_from, retired_at = u.retired_at,
           bars_from = u.bars_from, fit_until = u.fit_until, due_frequent = u.due_frequent,
           due_periodic = u.due_periodic, next_due_at = u.next_due_at
         from unnest($1::uuid[], $4::text[], $5::text[], $6::uuid[], $7::text[], $8::text[], $9::text[], $10::text[],
           $11::text[], $12::text[], $13::text[], $14::text[], $15::text[], $16::numeric[], $17::timestamptz[],
           $18::timestamptz[], $19::timestamptz[], $20::timestamptz[], $21::date[], $22::date[], $23::timestamptz[])
           as u(id, state, yards, model_id, maker, maker_key, model, asset_mark, mark_key, mark_look_alike_key,
                serial_number, serial_key, service_class, wll_kg, in_service_from, retired_at, bars_from, fit_until,
                due_frequent, due_periodic, next_due_at)
         where c.id = u.id",
    )
    .bind(all.iter().map(|one| one.columns.id).collect::<Vec<_>>())
    .bind(i64::try_from(reference_version).map_err(|_| StoreError::ReferenceMoved)?)
    .bind(tx.now().to_sqlx())
    .bind(all.iter().map(|one| one.state.as_str()).collect::<Vec<_>>())
    .bind(all.iter().map(|one| array_literal(&one.columns.yards)).collect::<Vec<_>>())
    .bind(all.iter().map(|one| one.columns.model_id).collect::<Vec<_>>())
    .bind(columns(|columns| columns.maker.clone()))
    .bind(columns(|columns| columns.maker_key.clone()))
    .bind(columns(|columns| columns.model.clone()))
    .bind(columns(|columns| columns.asset_mark.clone()))
    .bind(columns(|columns| columns.mark_key.clone()))
    .bind(columns(|columns| columns.mark_look_alike_key.clone()))
    .bind(columns(|columns| columns.serial_number.clone()))
    .bind(columns(|columns| columns.serial_key.clone()))
    .bind(columns(|columns| columns.service_class.clone()))
    .bind(all.iter().map(|one| one.columns.wll_kg).collect::<Vec<_>>())
    .bind(instants(|columns| columns.in_service_from))
    .bind(instants(|columns| columns.retired_at))
    .bind(instants(|columns| columns.bars_from))
    .bind(instants(|columns| columns.fit_until))
    .bind(days(|columns| columns.due_frequent))
    .bind(days(|columns| columns.due_periodic))
    .bind(instants(|columns| columns.next_due_at))
    .execute(&mut **tx)
    .await?
    .rows_affected();
    if usize::try_from(written) == Ok(all.len()) {
        return Ok(());
    }
    Err(StoreError::Inconsistent {
        table: "clamp",
        column: "id",
        id: all.first().map(|one| one.columns.id).unwrap_or_default(),
        detail: format!("{written} of {} locked clamps are there", all.len()),
    })
}

async fn write_lockouts(tx: &mut Tx, all: &[Written]) -> Result<(), StoreError> {
    let whole: Vec<Uuid> = all
        .iter()
        .filter(|one| one.is_whole)
        .map(|one| one.columns.id)
        .collect();
    let lockouts: Vec<(Uuid, &Lockout)> = all
        .iter()
        .flat_map(|one| one.lockouts.iter().map(|lockout| (one.columns.id, lockout)))
        .collect();
    let ids: Vec<Uuid> = lockouts.iter().map(|(_, lockout)| lockout.id.uuid()).collect();
    if !whole.is_empty() {
        // Folding the whole history is the last word on which lock-outs there are.
        sqlx::query(
            "-- projection.drop_lockouts\ndelete from lockout where clamp_id = any($1) and id <> all($2)",
        )
        .bind(&whole)
        .bind(&ids)
        .execute(&mut **tx)
        .await?;
    }
    if lockouts.is_empty() {
        return Ok(());
    }
    let records: Vec<String> = lockouts
        .iter()
        .map(|(_, lockout)| serde_json::to_string(lockout))
        .collect::<Result<_, _>>()?;
    let instant = |instant: Timestamp| whole_microseconds(instant).to_sqlx();
    sqlx::query(
        "-- projection.write_lockouts
         insert into lockout (id, clamp_id, criterion, reason, bars_from, opened_by_entry, opened_at, closed_by_entry,
           closed_at, record)
         select u.id, u.clamp_id, u.criterion, u.reason, u.bars_from, u.opened_by_entry, u.opened_at,
           u.closed_by_entry, u.closed_at, u.record::jsonb
         from unnest($1::uuid[], $2::uuid[], $3::text[], $4::text[], $5::timestamptz[], $6::uuid[], $7::timestamptz[],
           $8::uuid[], $9::timestamptz[], $10::text[])
           as u(id, clamp_id, criterion, reason, bars_from, opened_by_entry, opened_at, closed_by_entry, closed_at,
                record)
         on conflict (id) do update set clamp_id = excluded.clamp_id, criterion = excluded.criterion,
           reason = excluded.reason, bars_from = excluded.bars_from, opened_by_entry = excluded.opened_by_entry,
           opened_at = excluded.opened_at, closed_by_entry = excluded.closed_by_entry,
           closed_at = excluded.closed_at, record = excluded.record
         where lockout.record <> excluded.record or lockout.clamp_id <> excluded.clamp_id",
    )
    .bind(&ids)
    .bind(lockouts.iter().map(|(clamp, _)| *clamp).collect::<Vec<_>>())
    .bind(lockouts.iter().map(|(_, lockout)| lockout.criterion.clone()).collect::<Vec<_>>())
    .bind(lockouts.iter().map(|(_, lockout)| lockout.reason.map(|reason| reason.code())).collect::<Vec<_>>())
    .bind(lockouts.iter().map(|(_, lockout)| instant(lockout.bars_from)).collect::<Vec<_>>())
    .bind(lockouts.iter().map(|(_, lockout)| lockout.opened_by_entry.uuid()).collect::<Vec<_>>())
    .bind(lockouts.iter().map(|(_, lockout)| instant(lockout.opened_at)).collect::<Vec<_>>())
    .bind(lockouts.iter().map(|(_, lockout)| lockout.closed.as_ref().map(|by| by.by_entry.uuid())).collect::<Vec<_>>())
    .bind(lockouts.iter().map(|(_, lockout)| lockout.closed.as_ref().map(|by| instant(by.at))).collect::<Vec<_>>())
    .bind(&records)
    .execute(&mut **tx)
    .await?;
    Ok(())
}

/// An array of ids as PostgreSQL writes it.
pub(crate) fn array_literal(ids: &[Uuid]) -> String {
    let ids: Vec<String> = ids.iter().map(ToString::to_string).collect();
    format!("{{{}}}", ids.join(","))
}

/// The clamps whose numbers are the same: one maker, one serial number.
pub(crate) fn number(state: &ClampState, reference: &Reference, at: Timestamp) -> Option<(String, String)> {
    let model = state.model_id().and_then(|id| reference.model_at(id, at))?;
    Some((exact_key(&model.value.maker), exact_key(&state.serial_number()?)))
}

/// The columns of clamps as they are stored.
pub(crate) async fn stored(
    connection: &mut sqlx::PgConnection,
    clamps: &[ClampId],
) -> Result<Vec<Columns>, StoreError> {
    let ids: Vec<Uuid> = clamps.iter().map(|clamp| clamp.uuid()).collect();
    Ok(sqlx::query_as(
        "-- projection.stored
         select id, yards, model_id, maker, maker_key, model, asset_mark, mark_key, mark_look_alike_key, serial_number,
           serial_key, service_class, wll_kg, in_service_from, retired_at, bars_from, fit_until, due_frequent,
           due_periodic, next_due_at from clamp where id = any($1) order by id",
    )
    .bind(&ids)
    .fetch_all(connection)
    .await?)
}
