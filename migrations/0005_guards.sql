-- The database's own say: a clamp's projection bars from exactly when its open lock-outs do. Together with the check on
-- fit_until, no committed projection calls a clamp fit while a barring lock-out is open, whatever the service does.
-- Looked at when the transaction's own appending begins (see append_entries) or at its commit at the latest.
create function clamp_bars_as_its_lockouts_do() returns trigger
language plpgsql security definer set search_path = public, pg_temp as $$
declare
  subject uuid;
  projected timestamptz;
  computed timestamptz;
  blank boolean;
begin
  if tg_table_name = 'clamp' then
    subject := new.id;
  elsif tg_op = 'DELETE' then
    subject := old.clamp_id;
  else
    subject := new.clamp_id;
  end if;
  select c.bars_from, c.state = 'null' into projected, blank from clamp as c where c.id = subject;
  select min(l.bars_from) into computed from lockout as l where l.clamp_id = subject and l.closed_at is null;
  if blank then
    raise exception 'clamp % has no state', subject using errcode = 'CW004';
  end if;
  if projected is distinct from computed then
    raise exception 'clamp % is projected to be barred from %, its open lock-outs bar from %',
      subject, coalesce(projected::text, 'never'), coalesce(computed::text, 'never') using errcode = 'CW004';
  end if;
  return null;
end $$;

create constraint trigger clamp_bars_as_its_lockouts_do after insert or update on clamp
  deferrable initially deferred for each row execute function clamp_bars_as_its_lockouts_do();
create constraint trigger lockout_bars_its_clamp after insert or update or delete on lockout
  deferrable initially deferred for each row execute function clamp_bars_as_its_lockouts_do();

-- A lock-out never moves to another clamp and is never opened by another entry.
create function lockout_stays_what_it_is() returns trigger language plpgsql as $$
begin
  raise exception 'lock-out % stays with its clamp and the entry that opened it', old.id using errcode = 'CW004';
end $$;
create trigger lockout_stays_what_it_is before update on lockout for each row
  when (old.id <> new.id or old.clamp_id <> new.clamp_id or old.opened_by_entry <> new.opened_by_entry)
  execute function lockout_stays_what_it_is();
