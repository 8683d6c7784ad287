-- The statements of the door for one inspection that is credited and opens no lock-out, with a record of the same size.
\set n random({first}, {last})
\set fresh random(1, 9223372036854775807)
begin;
select reference_version as reference from ledger_head \gset
select id, state from clamp
 where id = any (array[('01930000-0000-7000-8000-' || lpad(to_hex(:n::bigint), 12, '0'))::uuid]) order by id
   for no key update \gset
select clamp_id, max(cause_position) from pending_reassessment where clamp_id = any (array[:id::uuid]) group by clamp_id;
select clamp_id, maker_key, serial_key from clamp_number where clamp_id = any (array[:id::uuid]);
select id, content_hash, recorded_by, position, seq, recorded_at, yards, outcome
  from ledger where id = any (array[md5(:fresh::text)::uuid]);
with cut as (
  select u.clamp_id, coalesce(u.cut_at, '-infinity') as cut_at
    from unnest(array[:id::uuid], array[now()]) as u(clamp_id, cut_at)
), given as (
  select u.clamp_id, u.starts_at, coalesce(u.ends_at, 'infinity') as ends_at, u.foreseen, u.yard_id, u.in_doubt, u.kind,
         array(select jsonb_array_elements_text(u.reasons::jsonb)) as reasons, u.model_id, u.wll_kg
    from unnest(array[:id::uuid], array[date_trunc('day', now()) + interval '31 days'], array[null::timestamptz],
                array[true], '{yards}'::uuid[], array[false], array['overdue'], array['["frequent_overdue"]'],
                array['{person}'::uuid], array[3000::numeric])
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
insert into out_period as p (clamp_id, starts_at, ends_at, foreseen, yard_id, in_doubt, kind, reasons, model_id, wll_kg)
select g.clamp_id, g.starts_at, g.ends_at, g.foreseen, g.yard_id, g.in_doubt, g.kind, g.reasons, g.model_id, g.wll_kg
  from given as g
on conflict on constraint out_period_pkey do update
  set ends_at = excluded.ends_at, foreseen = excluded.foreseen, in_doubt = excluded.in_doubt, kind = excluded.kind,
      reasons = excluded.reasons, model_id = excluded.model_id, wll_kg = excluded.wll_kg
where (p.ends_at, p.foreseen, p.in_doubt, p.kind, p.reasons, p.model_id, p.wll_kg)
      is distinct from (excluded.ends_at, excluded.foreseen, excluded.in_doubt, excluded.kind, excluded.reasons,
                        excluded.model_id, excluded.wll_kg);
update clamp as c set state = u.state::json, reference_version = :reference::bigint, projected_at = now(),
       yards = u.yards::uuid[], model_id = c.model_id, maker = c.maker, maker_key = c.maker_key, model = c.model,
       asset_mark = c.asset_mark, mark_key = c.mark_key, mark_look_alike_key = c.mark_look_alike_key,
       serial_number = c.serial_number, serial_key = c.serial_key, service_class = c.service_class, wll_kg = c.wll_kg,
       in_service_from = c.in_service_from, retired_at = c.retired_at, bars_from = c.bars_from, fit_until = c.fit_until,
       due_frequent = c.due_frequent, due_periodic = c.due_periodic, next_due_at = c.next_due_at
  from unnest(array[:id::uuid], array[:state::text], array['{yards}']) as u(id, state, yards) where c.id = u.id;
select seq, hash from lock_streams(array[:id::uuid]) \gset
select appended_position, appended_at from append_entries(
  now(), :reference::bigint, false, array[md5(:fresh::text)::uuid], array[:id::uuid], array[:seq::bigint + 1],
  array['inspected'], array[now()], array[now()], array['{person}'::uuid], array['{person}'::uuid], array[null::uuid],
  array['{bytes}'::bytea], array[sha256('{bytes}'::bytea)], array[:hash::bytea],
  array[sha256(:hash::bytea || '{bytes}'::bytea)], array['{outcome}'::bytea], array['{yards}']) order by 1;
commit;
