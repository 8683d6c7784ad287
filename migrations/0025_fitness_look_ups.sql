-- Whether clamps are fit, for many callers in one statement.

-- A state is written whole and read whole; nobody asks inside it. As text it costs nothing to hand out.
alter table clamp alter column state drop default;
alter table clamp alter column state type json using state::text::json;
alter table clamp alter column state set default 'null';
create or replace function clamp_bars_as_its_lockouts_do() returns trigger
language plpgsql security definer set search_path = public, pg_temp as $$
declare
  subject uuid;
  projected timestamptz;
  computed timestamptz;
  blank boolean;
begin
  if tg_table_name = 'clamp' then
    subject := new.id;
  elsif tg_op = 'DELETE' then
    subject := old.clamp_id;
  else
    subject := new.clamp_id;
  end if;
  select c.bars_from, c.state::text = 'null' into projected, blank from clamp as c where c.id = subject;
  select min(l.bars_from) into computed from lockout as l where l.clamp_id = subject and l.closed_at is null;
  if blank then
    raise exception 'clamp % has no state', subject using errcode = 'CW004';
  end if;
  if projected is distinct from computed then
    raise exception 'clamp % is projected to be barred from %, its open lock-outs bar from %',
      subject, coalesce(projected::text, 'never'), coalesce(computed::text, 'never') using errcode = 'CW004';
  end if;
  return null;
end $$;
drop function clamp_for_yards(uuid, text);
create function clamp_for_yards(wanted uuid, yards_setting text)
returns table (state json, yards uuid[], seq bigint, clamp_position bigint, known_position bigint,
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

-- Each look-up answers who is calling as of now (account, session, roles, yards) and the clamp as that caller may see it.
-- All of them see one snapshot, taken when the statement begins, so after every one of them was asked. Row-level
-- security lets through the yards of those who ask in this statement together; which of them may see what, each
-- look-up compares for itself.
create function fitness_look_ups(people uuid[], sessions uuid[], clamps uuid[])
returns table (n integer, enabled boolean, grants_version integer, roles text[], all_yards boolean, yards uuid[],
               session_goes_on boolean, state json, pending boolean, known_position bigint, known_at timestamptz,
               reference_version bigint)
language plpgsql stable set search_path = public, pg_temp
-- Planned once, not anew for every number of look-ups, and by index only: plans are kept from when the tables were small.
set plan_cache_mode = force_generic_plan
set jit = off set enable_seqscan = off set enable_hashjoin = off set enable_mergejoin = off as $$
begin
  perform set_config('clampward.yards', coalesce(
    (select case when bool_or(v.all_yards) then 'all' else (array_agg(y.id) filter (where y.id is not null))::text end
       from person as p
       join person_version as v on v.person_id = p.id and v.version = p.version
       left join lateral unnest(v.yards) as y(id) on true
      where p.id = any (people)), ''), true);
  return query
    select a.n::integer, v.enabled, v.version, v.roles, v.all_yards, v.yards,
           f.id is not null and f.ended_at is null, c.state,
           exists (select from pending_reassessment as r where r.clamp_id = c.id),
           l.position, l.recorded_at, l.reference_version
      from unnest(people, sessions, clamps) with ordinality as a(person, session, clamp, n)
     cross join ledger_head as l
      left join (person as p join person_version as v on v.person_id = p.id and v.version = p.version)
             on p.id = a.person
      left join session_family as f on f.id = a.session and f.person_id = p.id
      left join clamp as c on c.id = a.clamp and v.enabled and f.id is not null and f.ended_at is null
                          and (v.all_yards or c.yards && v.yards);
end $$;
revoke all on function fitness_look_ups from public;
grant execute on function fitness_look_ups to clampward_reader;
