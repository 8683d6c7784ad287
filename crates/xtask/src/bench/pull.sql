-- The statements of one page of changes of one yard, as crates/store/src/feed/ sends them.
begin isolation level repeatable read, read only;
select set_config('clampward.yards', '{{yard}}', true);
select epoch, position, tag, reference_version, recorded_at, is_replica, floor, tags
  from feed_head(array[{after}::bigint], now() - interval '180 days');
select c.n, d.position, d.id, d.stream, d.seq, d.kind, d.recorded_at
  from unnest(array['{yard}'::uuid], array[{after}::bigint]) with ordinality as c(yard, after, n)
 cross join lateral (
   (select y.position, null::uuid as id, null::uuid as stream, null::bigint as seq, null::text as kind,
           null::timestamptz as recorded_at
      from delivered as y where y.yard_id = c.yard and y.position > c.after and y.position <= 9000000000
     order by y.position limit {limit})
   union all
   select r.position, r.id, r.stream, r.seq, r.kind, r.recorded_at from company_rows(c.after, 9000000000, {limit}) as r
   order by position limit {limit}) as d
 order by c.n, d.position;
select r.position, r.id, r.stream, r.seq, r.kind, r.recorded_at, case when r.before < 4194304 then r.bytes end as bytes
  from (select l.position, l.id, l.stream, l.seq, l.kind, l.recorded_at, l.bytes,
               sum(octet_length(l.bytes)) over (order by l.position) - octet_length(l.bytes) as before
          from ledger as l where l.position = any('{positions}'::bigint[])) as r
 order by r.position;
select c.id, c.yards, c.state::text as state, h.position, c.reference_version,
       exists (select from pending_reassessment as p where p.clamp_id = c.id) as pending
  from clamp as c join stream_head as h on h.stream = c.id where c.id = any('{clamps}'::uuid[]);
select epoch, position, tag, reference_version, recorded_at, is_replica, floor, tags
  from feed_head(array[{last}::bigint], now() - interval '180 days');
commit;
