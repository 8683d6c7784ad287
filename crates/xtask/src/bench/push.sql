-- The rows of one chunk of a push, {rows} inspections that are credited and open no lock-out, by UNNEST: locked, written and
-- appended as the door does, with records of the same size; nothing is read, verified or judged.
\set n random({first}, {last})
\set fresh random(1, 9223372036854775807)
begin;
select id from device where id = '{device}' for key share;
select reference_version as reference from ledger_head \gset
select array_agg(c.id) as ids, array_agg(md5(c.id::text || :fresh::text)::uuid) as entries
  from (select id from clamp
         where id in (select ('01930000-0000-7000-8000-' || lpad(to_hex(g), 12, '0'))::uuid
                        from generate_series(:n::bigint, :n::bigint + {rows} - 1) as g)
         order by id for no key update) as c \gset
insert into device_receipt (device_id, number, seq, entry_id, outcome, held_id, received_at)
select '{device}', 1, (:fresh::bigint & 1125899906842623) + u.n, u.id, 'recorded', null, now()
  from unnest(:entries::uuid[]) with ordinality as u(id, n)
on conflict do nothing;
with cut as (
  select u.clamp_id, now() as cut_at from unnest(:ids::uuid[]) as u(clamp_id)
), given as (
  select u.clamp_id, date_trunc('day', now()) + interval '31 days' as starts_at, 'infinity'::timestamptz as ends_at,
         true as foreseen, ('{yards}'::uuid[])[1] as yard_id, false as in_doubt, 'overdue' as kind,
         array['frequent_overdue'] as reasons, '{person}'::uuid as model_id, 3000::numeric as wll_kg
    from unnest(:ids::uuid[]) as u(clamp_id)
), gone as (
  delete from out_period as p using cut as c
   where p.clamp_id = c.clamp_id and p.starts_at >= c.cut_at
     and not exists (select from given as g where g.clamp_id = p.clamp_id and g.starts_at = p.starts_at
                       and g.yard_id = p.yard_id)
), ended as (
  update out_period as p set ends_at = least(p.ends_at, c.cut_at), foreseen = false
    from cut as c where p.clamp_id = c.clamp_id and p.starts_at < c.cut_at and p.foreseen
)
insert into out_period as p (clamp_id, starts_at, ends_at, foreseen, yard_id, in_doubt, kind, reasons, model_id, wll_kg)
select g.clamp_id, g.starts_at, g.ends_at, g.foreseen, g.yard_id, g.in_doubt, g.kind, g.reasons, g.model_id, g.wll_kg
  from given as g
on conflict on constraint out_period_pkey do update
  set ends_at = excluded.ends_at, foreseen = excluded.foreseen, in_doubt = excluded.in_doubt, kind = excluded.kind,
      reasons = excluded.reasons, model_id = excluded.model_id, wll_kg = excluded.wll_kg
where (p.ends_at, p.foreseen, p.in_doubt, p.kind, p.reasons, p.model_id, p.wll_kg)
      is distinct from (excluded.ends_at, excluded.foreseen, excluded.in_doubt, excluded.kind, excluded.reasons,
                        excluded.model_id, excluded.wll_kg);
update clamp as c set state = u.state, reference_version = :reference::bigint, projected_at = now(),
       yards = '{yards}'::uuid[], model_id = c.model_id, maker = c.maker, maker_key = c.maker_key, model = c.model,
       asset_mark = c.asset_mark, mark_key = c.mark_key, mark_look_alike_key = c.mark_look_alike_key,
       serial_number = c.serial_number, serial_key = c.serial_key, service_class = c.service_class, wll_kg = c.wll_kg,
       in_service_from = c.in_service_from, retired_at = c.retired_at, bars_from = c.bars_from, fit_until = c.fit_until,
       due_frequent = c.due_frequent, due_periodic = c.due_periodic, next_due_at = c.next_due_at
  from (select id, state::text::json as state from clamp where id = any (:ids::uuid[])) as u where c.id = u.id;
select array_agg(seq + 1 order by stream) as seqs, array_agg(hash order by stream) as hashes,
       array_agg(stream order by stream) as streams
  from lock_streams(:ids::uuid[]) \gset
select max(appended_position) from append_entries(
  now(), :reference::bigint, false, :entries::uuid[], :streams::uuid[], :seqs::bigint[],
  array_fill('inspected'::text, array[{rows}]), array_fill(now(), array[{rows}]), array_fill(now(), array[{rows}]),
  array_fill('{person}'::uuid, array[{rows}]), array_fill('{person}'::uuid, array[{rows}]),
  array_fill('{device}'::uuid, array[{rows}]), array_fill('{bytes}'::bytea, array[{rows}]),
  array_fill(sha256('{bytes}'::bytea), array[{rows}]), :hashes::bytea[],
  (select array_agg(sha256(h || '{bytes}'::bytea)) from unnest(:hashes::bytea[]) as h),
  array_fill('{outcome}'::bytea, array[{rows}]), array_fill('{yards}'::text, array[{rows}]));
commit;
