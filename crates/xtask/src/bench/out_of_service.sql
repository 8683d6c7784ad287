-- The statement of the report of clamps out of service by yard, as of now, with nothing around it.
select y.yard_id, null::text as reason, null::uuid as model_id, null::text as wll_band, p.kind, count(*) as clamps,
       count(*) filter (where (not p.in_doubt or not exists (
          select from out_period as q where q.clamp_id = p.clamp_id and q.starts_at = p.starts_at
             and q.yard_id < y.yard_id and q.yard_id = any ('{yards}')))) as clamps_once
  from unnest('{yards}'::uuid[]) as y(yard_id)
 cross join lateral (
   select p.clamp_id, p.starts_at, p.kind, p.in_doubt, p.model_id, p.wll_kg from out_period as p
    where p.yard_id = y.yard_id and p.foreseen and p.starts_at <= now() and p.ends_at > now()
    union all
   select p.clamp_id, p.starts_at, p.kind, p.in_doubt, p.model_id, p.wll_kg from out_period as p
    where p.yard_id = y.yard_id and not p.foreseen and p.starts_at <= now() and p.ends_at > now()) as p
 group by 1, 2, 3, 4, p.kind;
