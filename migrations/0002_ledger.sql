-- The ledger: every fact ever recorded, entries and reference data alike, in one gapless order that is the order of
-- commit. Nobody changes or deletes a row, its owner included; the only way to add one is append_entries, the last
-- statement of every writing transaction, because it holds the one head row until the commit.
create table ledger_head (
  one               boolean primary key default true,
  position          bigint not null default 0,
  reference_version bigint not null default 0,
  recorded_at       timestamptz not null default '1970-01-01 00:00:00+00',
  epoch             integer not null default 1,
  constraint ledger_head_is_one_row check (one),
  constraint ledger_head_counts_up check (position >= 0 and reference_version >= 0)
) with (fillfactor = 10);
insert into ledger_head default values;

create table ledger (
  position          bigint primary key,
  id                uuid not null,
  stream            uuid not null,
  seq               bigint not null,
  kind              text not null,
  performed_at      timestamptz not null,
  counted_at        timestamptz not null,
  recorded_at       timestamptz not null,
  performed_by      uuid not null,
  recorded_by       uuid not null,
  device_id         uuid,
  bytes             bytea not null,
  content_hash      bytea not null,
  previous_hash     bytea not null,
  hash              bytea not null,
  outcome           bytea,
  seal              bytea not null,
  yards             uuid[] not null,
  tag               bigint not null,
  reference_version bigint not null,
  constraint ledger_id_is_used_once unique (id),
  constraint ledger_seq_is_used_once unique (stream, seq),
  constraint ledger_counts_from_one check (position > 0 and seq > 0),
  constraint ledger_kind_is_a_word check (kind ~ '^[a-z][a-z_]{0,39}$'),
  constraint ledger_content_hash_length check (octet_length(content_hash) = 32),
  constraint ledger_previous_hash_length check (octet_length(previous_hash) = 32),
  constraint ledger_hash_chains check (hash = sha256(previous_hash || bytes))
);
-- "Whose entries touch which clamps" (a change of competence), and "what was known by then".
create index ledger_by_person on ledger (performed_by, stream);
create index ledger_by_recording on ledger (recorded_at, position);

-- Where each stream (a clamp, a yard, a model, a person) stands. Written by append_entries only.
create table stream_head (
  stream   uuid primary key,
  seq      bigint not null default 0,
  position bigint not null default 0,
  hash     bytea not null default decode(repeat('00', 32), 'hex')
) with (fillfactor = 70);

create function ledger_is_append_only() returns trigger language plpgsql as $$
begin
  raise exception 'the ledger is append-only: % is refused', tg_op
    using errcode = 'CW002', hint = 'Record a new entry that cites the old one.';
end $$;
create trigger ledger_refuses_change before update or delete on ledger
  for each row execute function ledger_is_append_only();
create trigger ledger_refuses_truncate before truncate on ledger
  for each statement execute function ledger_is_append_only();
alter table ledger enable always trigger ledger_refuses_change;
alter table ledger enable always trigger ledger_refuses_truncate;

-- What a row is sealed with: its chained hash and every column that the chain does not cover. Computed for whoever
-- inserts; `verify` computes it a second time, elsewhere.
create function ledger_seal() returns trigger language plpgsql as $$
begin
  new.seal := sha256(
    new.hash || new.content_hash || uuid_send(new.id) || uuid_send(new.stream)
    || int8send(new.position) || int8send(new.seq) || int8send(new.tag) || int8send(new.reference_version)
    || int8send((extract(epoch from new.performed_at) * 1000000)::bigint)
    || int8send((extract(epoch from new.counted_at) * 1000000)::bigint)
    || int8send((extract(epoch from new.recorded_at) * 1000000)::bigint)
    || uuid_send(new.performed_by) || uuid_send(new.recorded_by)
    || coalesce(uuid_send(new.device_id), ''::bytea)
    || int4send(cardinality(new.yards))
    || coalesce((select string_agg(uuid_send(y.yard), ''::bytea order by y.n)
                   from unnest(new.yards) with ordinality as y(yard, n)), ''::bytea)
    || sha256(coalesce(new.outcome, ''::bytea))
    || convert_to(new.kind, 'UTF8'));
  return new;
end $$;
create trigger ledger_is_sealed before insert on ledger for each row execute function ledger_seal();

-- Locks the heads of streams in id order, making those that are new. Before it come the locks on what the streams are
-- about, after it the ledger's head: the same order everywhere, so that two writers never wait for each other.
create function lock_streams(wanted uuid[])
returns table (stream uuid, seq bigint, hash bytea)
language plpgsql security definer set search_path = public, pg_temp as $$
begin
  insert into stream_head (stream)
  select w.id from unnest(wanted) as w(id)
   where not exists (select from stream_head as h where h.stream = w.id)
   group by w.id order by w.id
  on conflict on constraint stream_head_pkey do nothing;
  return query
    select h.stream, h.seq, h.hash from stream_head as h
     where h.stream = any (wanted) order by h.stream for update;
end $$;

-- Appends rows in the order given. The caller has locked their streams and says by which reference version it judged;
-- where that has moved, nothing is appended (CW001) and the caller judges again.
create function append_entries(
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

revoke all on function lock_streams, append_entries from public;
grant execute on function lock_streams, append_entries to clampward_door;
grant select on ledger, ledger_head, stream_head to clampward_door;
grant select on ledger_head to clampward_reader;
