-- The least that a database can be asked: the clamp by its key and how far the ledger is, by a role that sees all. Nobody
-- is asked who is calling.
\set n random({first}, {last})
select c.state, l.position, l.recorded_at, l.reference_version
  from clamp as c cross join ledger_head as l
 where c.id = ('01930000-0000-7000-8000-' || lpad(to_hex(:n::bigint), 12, '0'))::uuid;
