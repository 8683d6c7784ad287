-- The statement of the report of clamps out of service by yard, as of now, with nothing around it.
select y.yard_id, null::text as reason, null::uuid as model_id, null::text as wll_band, p.kind,
       sum(p.clamps)::bigint as clamps, sum(p.once)::bigint as clamps_once
  from unnest('{yards}'::uuid[]) as y(yard_id)
 cross join lateral (
   select p.kind, count(*) as clamps, count(*) as once from out_period as p
    where p.yard_id = y.yard_id and p.foreseen and not p.in_doubt and cardinality(p.reasons) <= 8
      and p.starts_at <= now() and p.ends_at > now()
    group by p.kind
    union all
   select p.kind, count(*) as clamps, count(*) as once from out_period as p
    where p.yard_id = y.yard_id and not p.foreseen and not p.in_doubt and cardinality(p.reasons) <= 8
      and p.starts_at <= now() and p.ends_at > now()
    group by p.kind
    union all
   select p.kind, count(*) as clamps, count(*) filter (where not p.in_doubt or not exists (
          select from out_period as q where q.clamp_id = p.clamp_id and q.starts_at <= now() and q.ends_at > now()
             and q.yard_id < y.yard_id and q.yard_id = any ('{yards}'))) as once from out_period as p
    where p.yard_id = y.yard_id and (p.in_doubt or cardinality(p.reasons) > 8)
      and p.starts_at <= now() and p.ends_at > now()
    group by p.kind) as p
 group by 1, 2, 3, 4, p.kind;
