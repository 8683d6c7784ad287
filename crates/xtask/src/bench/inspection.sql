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
