-- Which rows of the ledger go to which yard, as an index that is read by position: written with the rows and never
-- changed. The yards stand in each row (the clamp's yards before and after it); what is the whole company's goes to
-- everybody and stands under the nil id. Rows of neither kind (kept raw, without a yard) go to nobody but those who
-- read the whole ledger.
create table delivered (
  yard_id  uuid not null,
  position bigint not null,
  constraint delivered_pkey primary key (yard_id, position)
);

create function delivered_to(yards uuid[], kind text) returns uuid[] language sql immutable parallel safe as $$
  select case
           when cardinality(yards) > 0 then yards
           when kind in ('model', 'person', 'competence', 'competence_revoked')
             then array['00000000-0000-0000-0000-000000000000'::uuid]
           else '{}'::uuid[]
         end
$$;

insert into delivered (yard_id, position)
select distinct y.yard, l.position from ledger as l cross join lateral unnest(delivered_to(l.yards, l.kind)) as y(yard);

create function delivered_is_append_only() returns trigger language plpgsql as $$
begin
  raise exception 'to whom a row was delivered is never changed: % is refused', tg_op using errcode = 'CW002';
end $$;
create trigger delivered_refuses_change before update or delete on delivered
  for each row execute function delivered_is_append_only();
create trigger delivered_refuses_truncate before truncate on delivered
  for each statement execute function delivered_is_append_only();
alter table delivered enable always trigger delivered_refuses_change;
alter table delivered enable always trigger delivered_refuses_truncate;

-- What is the whole company's is read through company_rows below: of its rows nobody needs more than what they are about.
alter table delivered enable row level security;
create policy delivered_door on delivered for select to clampward_door using (true);
create policy delivered_reader on delivered for select to clampward_reader
  using ((select clampward_sees_all()) or yard_id = any ((select clampward_yards())::uuid[]));
grant select on delivered to clampward_door, clampward_reader;

-- Appends rows in the order given, as before, and notes to whom they are delivered.
create or replace function append_entries(
  told_now timestamptz, expected_reference_version bigint, bumps_reference boolean,
  ids uuid[], streams uuid[], seqs bigint[], kinds text[],
  performed timestamptz[], counted timestamptz[], performers uuid[], recorders uuid[], devices uuid[],
  contents bytea[], content_hashes bytea[], previous_hashes bytea[], hashes bytea[], outcomes bytea[],
  yard_lists text[]
) returns table (appended_position bigint, appended_at timestamptz)
language plpgsql security definer set search_path = public, pg_temp
-- Plans are kept from when the tables were small; the cost of an append must not grow with the ledger.
set jit = off set enable_seqscan = off set enable_hashjoin = off set enable_mergejoin = off as $$
declare
  wanted bigint := cardinality(ids);
  first  bigint;
  moment timestamptz;
  broken uuid;
begin
  -- What is checked at the end is checked now, before others have to wait for the head.
  set constraints all immediate;

  update ledger_head as h
     set position = h.position + wanted,
         reference_version = h.reference_version + case when bumps_reference then 1 else 0 end,
         recorded_at = greatest(h.recorded_at, told_now)
   where h.reference_version = expected_reference_version
  returning h.position - wanted, h.recorded_at into first, moment;
  if not found then
    raise exception 'reference data moved on from version %', expected_reference_version using errcode = 'CW001';
  end if;

  insert into ledger (position, id, stream, seq, kind, performed_at, counted_at, recorded_at, performed_by,
                      recorded_by, device_id, bytes, content_hash, previous_hash, hash, outcome, yards, tag,
                      reference_version)
  select first + r.n, r.id, r.stream, r.seq, r.kind, r.performed_at, r.counted_at, moment, r.performed_by,
         r.recorded_by, r.device_id, r.bytes, r.content_hash, r.previous_hash, r.hash, r.outcome,
         r.yards, r.tag, expected_reference_version
    from (
      select u.*, u.yard_list::uuid[] as yards,
             ('x' || translate(left(gen_random_uuid()::text, 18), '-', ''))::bit(64)::bigint as tag
        from unnest(ids, streams, seqs, kinds, performed, counted, performers, recorders, devices, contents,
                    content_hashes, previous_hashes, hashes, outcomes, yard_lists) with ordinality
          as u(id, stream, seq, kind, performed_at, counted_at, performed_by, recorded_by, device_id, bytes,
               content_hash, previous_hash, hash, outcome, yard_list, n)
      offset 0
    ) as r
   order by r.n;

  insert into delivered (yard_id, position)
  select distinct y.yard, first + u.n
    from unnest(kinds, yard_lists) with ordinality as u(kind, yard_list, n)
   cross join lateral unnest(delivered_to(u.yard_list::uuid[], u.kind)) as y(yard);

  select n.id into broken
    from ledger as n
    left join ledger as p on p.stream = n.stream and p.seq = n.seq - 1
   where n.position > first and n.position <= first + wanted
     and n.previous_hash is distinct from
         case when n.seq = 1 then decode(repeat('00', 32), 'hex') else p.hash end
   limit 1;
  if found then
    raise exception 'entry % does not continue the chain of its stream', broken using errcode = 'CW003';
  end if;

  update stream_head as h
     set seq = l.seq, position = l.position, hash = l.hash
    from (select distinct on (n.stream) n.stream, n.seq, n.position, n.hash
            from ledger as n
           where n.position > first and n.position <= first + wanted
           order by n.stream, n.seq desc) as l
   where h.stream = l.stream;

  return query select n, moment from generate_series(first + 1, first + wanted) as n;
end $$;

-- Rows that are the whole company's, as far as everybody may see them: what they are about, and nothing that they say.
create function company_rows(after bigint, upto bigint, most integer)
returns table ("position" bigint, id uuid, stream uuid, seq bigint, kind text, recorded_at timestamptz)
language plpgsql stable security definer set search_path = public, pg_temp as $$
begin
  return query
    select l.position, l.id, l.stream, l.seq, l.kind, l.recorded_at
      from delivered as d join ledger as l on l.position = d.position
     where d.yard_id = '00000000-0000-0000-0000-000000000000' and d.position > after and d.position <= upto
     order by d.position limit most;
end $$;

-- Where the ledger stands, for readers of every yard: its head, the random tags of some positions (zero at zero, null
-- where there is no such row), and the last position that was recorded by an instant.
create function feed_head(positions bigint[], recorded_by timestamptz)
returns table (epoch integer, "position" bigint, tag bigint, reference_version bigint, recorded_at timestamptz,
               is_replica boolean, floor bigint, tags bigint[])
language plpgsql stable security definer set search_path = public, pg_temp as $$
begin
  return query
    select h.epoch, h.position, coalesce((select l.tag from ledger as l where l.position = h.position), 0),
           h.reference_version, h.recorded_at, pg_is_in_recovery(), position_known_at(recorded_by),
           array(select case when p.position = 0 then 0 else l.tag end
                   from unnest(positions) with ordinality as p(position, n)
                   left join ledger as l on l.position = p.position order by p.n)
      from ledger_head as h where h.one;
end $$;

-- Which yards anything was delivered to after a position: to wake whoever waits for it. The nil id stands for everybody.
create function yards_moved(after bigint, upto bigint) returns table (yard_id uuid, "position" bigint)
language plpgsql stable security definer set search_path = public, pg_temp as $$
begin
  return query
    select y.yard, max(l.position)
      from ledger as l cross join lateral unnest(delivered_to(l.yards, l.kind)) as y(yard)
     where l.position > after and l.position <= upto group by y.yard;
end $$;

revoke all on function company_rows, feed_head, yards_moved from public;
grant execute on function company_rows, feed_head, yards_moved to clampward_reader;
