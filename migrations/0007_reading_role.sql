-- What the reading role sees: the clamps of the yards that its transaction was told, by the setting clampward.yards
-- ('all' or an array of ids). Unset or empty means nothing. The door sees every row and decides about yards itself.
create function clampward_sees_all() returns boolean language sql stable parallel safe as $$
  select coalesce(current_setting('clampward.yards', true), '') = 'all'
$$;
create function clampward_yards() returns uuid[] language sql stable parallel safe as $$
  select case coalesce(current_setting('clampward.yards', true), '')
           when '' then '{}'::uuid[]
           when 'all' then '{}'::uuid[]
           else current_setting('clampward.yards', true)::uuid[]
         end
$$;

alter table clamp enable row level security;
create policy clamp_door on clamp to clampward_door using (true) with check (true);
create policy clamp_reader on clamp for select to clampward_reader
  using ((select clampward_sees_all()) or yards && (select clampward_yards()));

alter table stream_head enable row level security;
create policy stream_head_door on stream_head for select to clampward_door using (true);
create policy stream_head_reader on stream_head for select to clampward_reader
  using (exists (select from clamp where clamp.id = stream_head.stream));

alter table lockout enable row level security;
create policy lockout_door on lockout to clampward_door using (true) with check (true);
create policy lockout_reader on lockout for select to clampward_reader
  using (exists (select from clamp where clamp.id = lockout.clamp_id));

alter table pending_reassessment enable row level security;
create policy pending_reassessment_door on pending_reassessment to clampward_door using (true) with check (true);
create policy pending_reassessment_reader on pending_reassessment for select to clampward_reader
  using (exists (select from clamp where clamp.id = pending_reassessment.clamp_id));

-- A yard sees the whole history of the clamps it has now, and the rows that were delivered to it at their time.
alter table ledger enable row level security;
create policy ledger_door on ledger for select to clampward_door using (true);
create policy ledger_reader on ledger for select to clampward_reader
  using ((select clampward_sees_all()) or yards && (select clampward_yards())
         or exists (select from clamp where clamp.id = ledger.stream));
grant select on ledger to clampward_reader;

-- The hot path in one statement: sets the yards for this statement's transaction and reads under row-level security.
create function clamp_for_yards(wanted uuid, yards_setting text)
returns table (state jsonb, yards uuid[], seq bigint, clamp_position bigint, known_position bigint,
               known_at timestamptz, reference_version bigint, pending boolean)
language plpgsql volatile set search_path = public, pg_temp as $$
begin
  perform set_config('clampward.yards', yards_setting, true);
  return query
    select c.state, c.yards, h.seq, h.position, l.position, l.recorded_at, l.reference_version,
           exists (select from pending_reassessment as p where p.clamp_id = c.id)
      from clamp as c
      join stream_head as h on h.stream = c.id
     cross join ledger_head as l
     where c.id = wanted;
end $$;
revoke all on function clamp_for_yards from public;
grant execute on function clamp_for_yards to clampward_reader;

-- Two questions about the whole company whose answer is a number, so that it may be given to any yard.
create function position_known_at(moment timestamptz) returns bigint
language sql stable security definer set search_path = public, pg_temp as $$
  select coalesce((select l.position from ledger as l where l.recorded_at <= moment
                    order by l.recorded_at desc, l.position desc limit 1), 0)
$$;
create function live_clamps_with_mark(wanted text) returns bigint
language sql stable security definer set search_path = public, pg_temp as $$
  select count(*) from clamp as c where c.mark_key = wanted and c.retired_at is null
$$;
revoke all on function position_known_at, live_clamps_with_mark from public;
grant execute on function position_known_at, live_clamps_with_mark to clampward_reader, clampward_door;
