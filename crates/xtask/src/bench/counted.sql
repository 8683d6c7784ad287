-- Multiplies the periods in which the invented fleet's clamps are out, as far as they are foreseen, to those of :clamps
-- clamps, as the owner: what the report of clamps out of service reads. No more of them are out now than the share :out, and
-- as many as in the invented fleet at most. For measuring only: the clamps themselves are not there.
begin;
insert into out_period (clamp_id, starts_at, ends_at, foreseen, yard_id, in_doubt, kind, reasons, model_id, wll_kg)
select md5(p.clamp_id::text || n.n)::uuid, p.starts_at, p.ends_at, p.foreseen, p.yard_id, p.in_doubt, p.kind, p.reasons,
       p.model_id, p.wll_kg
  from (select (:clamps / count(*))::integer as each from clamp) as per
 cross join (select (:clamps * :out / count(distinct clamp_id))::integer as most
               from out_period where foreseen and starts_at <= now() and ends_at > now()) as limited
 cross join lateral generate_series(1, per.each) as n(n)
 cross join out_period as p
 where p.foreseen and (n.n <= limited.most or p.starts_at > now() or p.ends_at <= now());
commit;
vacuum (freeze, analyze) out_period;
select distinct yard_id, 0, 0 from out_period;
