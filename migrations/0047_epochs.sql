-- Epochs of the ledger: raised by hand where its history is not to be trusted any more, so that every reader begins
-- anew. A restored backup or a promoted standby needs none: cursors notice by their tags what is another history.
create table ledger_epoch (
  epoch      integer primary key,
  started_at timestamptz not null,
  position   bigint not null,
  reason     text not null,
  constraint ledger_epoch_says_why check (length(reason) between 1 and 500)
);
insert into ledger_epoch (epoch, started_at, position, reason)
select epoch, now(), position, 'the beginning' from ledger_head;

-- How far a standby has what was written, by the name that it gives itself (application_name). Asked by the service,
-- which sees nothing else of the replication; null where that standby is not connected, or where whoever owns this
-- function may not see it (the owner needs pg_monitor then).
create function flushed_by_standby(standby text) returns pg_lsn
language sql stable security definer set search_path = pg_catalog, pg_temp as $$
  select max(r.flush_lsn) from pg_stat_replication as r where r.application_name = standby
$$;
revoke all on function flushed_by_standby from public;
grant execute on function flushed_by_standby to clampward_door;
