-- The journal of lift checks: every question and its answer, kept for ever. It is by far the busiest table (twenty
-- checks a clamp a day), stands beside the ledger, and is partitioned by month so that old months can be moved away.
create table lift_check (
  id          uuid not null,
  asked_at    timestamptz not null,
  asked_by    uuid not null,
  clamps      uuid[] not null,
  yards       uuid[] not null,
  decision    text not null,
  position    bigint not null,
  request     jsonb not null,
  answer      jsonb not null,
  constraint lift_check_decides check (decision in ('clear', 'stop'))
) partition by range (asked_at);
create index lift_check_by_id on lift_check (id, asked_at);
create index lift_check_by_clamp on lift_check using gin (clamps);
create table lift_check_other partition of lift_check default;

-- Makes the partitions of the coming months. Called by the service at start; run by the owner, since the service owns
-- nothing. A month whose rows stand in the default partition already stays there.
create function prepare_lift_check_months(first date, months int) returns void
language plpgsql security definer set search_path = public, pg_temp as $$
declare
  month date := date_trunc('month', first)::date;
  part text;
begin
  perform pg_advisory_xact_lock(hashtextextended('prepare_lift_check_months', 0));
  for step in 1 .. least(months, 24) loop
    part := 'lift_check_' || to_char(month, 'YYYYMM');
    if to_regclass(part) is null
       and not exists (select from lift_check_other
                        where asked_at >= month::timestamp at time zone 'UTC'
                          and asked_at < (month + interval '1 month')::timestamp at time zone 'UTC') then
      execute format('create table %I partition of lift_check for values from (%L) to (%L)',
                     part, month::timestamp at time zone 'UTC', (month + interval '1 month')::timestamp at time zone 'UTC');
      execute format('alter table %I enable row level security', part);
    end if;
    month := (month + interval '1 month')::date;
  end loop;
end $$;
revoke all on function prepare_lift_check_months from public;
grant execute on function prepare_lift_check_months to clampward_door;

-- What was answered is never changed.
create function lift_check_is_append_only() returns trigger language plpgsql as $$
begin
  raise exception 'a lift check is never changed or deleted' using errcode = 'CW002';
end $$;
create trigger lift_check_is_never_changed before update or delete on lift_check
  for each row execute function lift_check_is_append_only();

alter table lift_check enable row level security;
alter table lift_check_other enable row level security;
create policy lift_check_door_writes on lift_check for insert to clampward_door with check (true);
create policy lift_check_door_reads on lift_check for select to clampward_door using (true);
create policy lift_check_reader on lift_check for select to clampward_reader
  using ((select clampward_sees_all()) or yards && (select clampward_yards()));
grant select, insert on lift_check to clampward_door;
grant select on lift_check to clampward_reader;
