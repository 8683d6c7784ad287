-- Multiplies the invented fleet's live clamps to :clamps, as the owner: each copy has its template's projection, open
-- lock-outs and last entry, under ids and numbers of its own. Copies of one yard lie next to each other, so that a range
-- of numbers is a yard. For measuring only: a copy's earlier entries are not there.
begin;
create temporary table template as
  select row_number() over (order by c.yards[1], c.id) - 1 as rank, c.id, c.yards[1] as yard
    from clamp as c
   where c.retired_at is null and cardinality(c.yards) = 1;
create temporary table copy as
  select t.rank * per.each + n.n as number, t.id as template, t.yard,
         ('01930000-0000-7000-8000-' || lpad(to_hex(t.rank * per.each + n.n), 12, '0'))::uuid as id
    from template as t
   cross join (select (:clamps + count(*) - 1) / count(*) as each from template) as per
   cross join lateral generate_series(0, per.each - 1) as n(n);
create index on copy (template);

-- Lock-outs get ids of their own; the state names them too.
create temporary table copied_lockout as
  select l.id as old, c.id as clamp, md5(l.id::text || c.number)::uuid as new
    from copy as c join lockout as l on l.clamp_id = c.template and l.closed_at is null;
create index on copied_lockout (clamp);

insert into clamp (id, state, reference_version, projected_at, yards, model_id, maker, model, maker_key, asset_mark,
                   mark_key, mark_look_alike_key, serial_number, serial_key, service_class, wll_kg, in_service_from,
                   retired_at, bars_from, fit_until, due_frequent, due_periodic, next_due_at)
select c.id, renamed.state::json, t.reference_version, t.projected_at, t.yards, t.model_id, t.maker, t.model, t.maker_key,
       t.asset_mark || '-' || c.number, t.mark_key || c.number, t.mark_look_alike_key || c.number,
       t.serial_number || '-' || c.number, t.serial_key || c.number, t.service_class, t.wll_kg, t.in_service_from,
       t.retired_at, t.bars_from, t.fit_until, t.due_frequent, t.due_periodic, t.next_due_at
  from copy as c
  join clamp as t on t.id = c.template
 cross join lateral (
   select replace(replace(t.state::text, t.id::text, c.id::text), coalesce(to_json(t.serial_number)::text, ''),
                  coalesce(to_json(t.serial_number || '-' || c.number)::text, '')) as state) as named
 cross join lateral (
   select coalesce(
     (select regexp_replace(named.state, l.old::text, l.new::text, 'g')
        from copied_lockout as l where l.clamp = c.id limit 1),
     named.state) as state) as renamed;

-- A template with several open lock-outs: the others' ids.
do $$
declare
  another record;
begin
  for another in
    select l.clamp, l.old, l.new from copied_lockout as l join clamp as c on c.id = l.clamp
     where c.state::text like '%' || l.old || '%'
  loop
    update clamp set state = replace(state::text, another.old::text, another.new::text)::json where id = another.clamp;
  end loop;
end $$;

insert into lockout (id, clamp_id, criterion, reason, bars_from, opened_by_entry, opened_at, record)
select l.new, l.clamp, o.criterion, o.reason, o.bars_from, o.opened_by_entry, o.opened_at,
       replace(o.record::text, l.old::text, l.new::text)::jsonb
  from copied_lockout as l join lockout as o on o.id = l.old;

-- The periods in which each is out, as far as they are foreseen: what counts over the fleet are read from.
insert into out_period (clamp_id, starts_at, ends_at, foreseen, yard_id, in_doubt, kind, reasons, model_id, wll_kg)
select c.id, p.starts_at, p.ends_at, p.foreseen, p.yard_id, p.in_doubt, p.kind, p.reasons, p.model_id, p.wll_kg
  from copy as c join out_period as p on p.clamp_id = c.template and p.foreseen;

insert into clamp_number (serial_key, maker_key, clamp_id)
select n.serial_key || c.number, n.maker_key, c.id
  from copy as c join clamp_number as n on n.clamp_id = c.template;

-- The last entry of each, so that the next one continues a chain.
insert into ledger (position, id, stream, seq, kind, performed_at, counted_at, recorded_at, performed_by, recorded_by,
                    device_id, bytes, content_hash, previous_hash, hash, outcome, yards, tag, reference_version)
select h.position + row_number() over (order by c.number), gen_random_uuid(), c.id, l.seq, l.kind, l.performed_at,
       l.counted_at, h.recorded_at, l.performed_by, l.recorded_by, l.device_id, l.bytes, l.content_hash, l.previous_hash,
       l.hash, l.outcome, l.yards, l.tag, h.reference_version
  from copy as c
  join stream_head as s on s.stream = c.template
  join ledger as l on l.stream = s.stream and l.seq = s.seq
 cross join ledger_head as h;
insert into delivered (yard_id, position)
select distinct y.yard, l.position
  from ledger as l join copy as c on c.id = l.stream cross join lateral unnest(delivered_to(l.yards, l.kind)) as y(yard);
insert into stream_head (stream, seq, position, hash)
select l.stream, l.seq, l.position, l.hash from ledger as l join copy as c on c.id = l.stream;
update ledger_head set position = (select max(position) from ledger);
select yard, min(number), max(number) from copy group by yard order by 2;
commit;
vacuum (freeze, analyze);
