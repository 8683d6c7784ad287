-- Entries that could not be placed, kept as they came until a person places or dismisses them or their cause goes away.
-- Each is a row of the ledger too (kind `held`, on the device's stream); this is what lists and settles them.
create table held_entry (
  id             uuid primary key,
  device_id      uuid not null references person (id),
  entry_id       uuid,
  told_hash      bytea not null,
  reason         text not null,
  detail         text not null,
  kind           text,
  clamp_id       uuid,
  mark           text,
  mark_key       text,
  restricts      boolean not null,
  bars           uuid[] not null,
  yards          uuid[] not null,
  performed_by   uuid,
  performed_at   timestamptz,
  counted_at     timestamptz,
  corrected      boolean not null default false,
  signed_from    timestamptz,
  signed_until   timestamptz,
  raw            bytea not null,
  received_at    timestamptz not null,
  received_by    uuid not null,
  state          text not null default 'held',
  settled_at     timestamptz,
  settled_by     uuid,
  settled_clamp  uuid,
  settled_reason text,
  next_try_at    timestamptz,
  constraint held_entry_state_is_a_word check (state in ('held', 'placed', 'dismissed', 'replayed')),
  constraint held_entry_is_settled_once check ((state = 'held') = (settled_at is null)),
  constraint held_entry_key_is_of_a_time check ((signed_from is null) = (signed_until is null))
);
create index held_entry_by_arrival on held_entry (received_at, id);
create index held_entry_of_entry on held_entry (entry_id) where entry_id is not null;
create index held_entry_waiting_for_clamp on held_entry (clamp_id) where state = 'held' and clamp_id is not null;
create index held_entry_waiting_for_mark on held_entry (mark_key) where state = 'held' and mark_key is not null;
create index held_entry_waiting on held_entry (reason, id) where state = 'held';
create index held_entry_by_yard on held_entry using gin (yards);

-- What came is never changed; only what became of it is written, and only once.
create function held_entry_stays_what_it_is() returns trigger language plpgsql as $$
begin
  raise exception 'held entry % is kept as it came: % is refused', old.id, tg_op using errcode = 'CW002';
end $$;
create trigger held_entry_stays_what_it_is before update on held_entry for each row
  when (old.state <> 'held' or old.raw <> new.raw or old.id <> new.id)
  execute function held_entry_stays_what_it_is();
create trigger held_entry_refuses_delete before delete on held_entry
  for each row execute function held_entry_stays_what_it_is();
alter table held_entry enable always trigger held_entry_stays_what_it_is;
alter table held_entry enable always trigger held_entry_refuses_delete;

grant select, insert on held_entry to clampward_door;
grant update (state, settled_at, settled_by, settled_clamp, settled_reason, next_try_at) on held_entry to clampward_door;
grant select on held_entry to clampward_reader;
alter table held_entry enable row level security;
create policy held_entry_door on held_entry to clampward_door using (true) with check (true);
create policy held_entry_reader on held_entry for select to clampward_reader
  using ((select clampward_sees_all()) or yards && (select clampward_yards()));
