-- A held entry keeps every clamp and mark that it names, not only the first: whichever of them becomes known later is barred
-- then. `weighed` are those that it was looked at for and leaves alone; `bars` and `yards` grow with what becomes known.
alter table held_entry
  add column clamps       uuid[] not null default '{}',
  add column mark_keys    text[] not null default '{}',
  add column weighed      uuid[] not null default '{}',
  -- The key that signed it, so that one which is withdrawn while it waits frees nothing any more.
  add column signed_key   uuid,
  -- How often trying it failed in a way that should not happen, and why it goes on waiting if that is another reason by now.
  add column tries        integer not null default 0,
  add column stays_because text,
  add constraint held_entry_stays_for_a_reason
    check (stays_because in ('device_revoked', 'id_reused', 'internal')),
  add constraint held_entry_tries_are_counted check (tries >= 0);

update held_entry set
  clamps = case when clamp_id is null or clamp_id = any(bars) then bars else bars || clamp_id end,
  mark_keys = case when mark_key is null then '{}' else array[mark_key] end,
  signed_key = case when signed_from is not null
    then (convert_from(raw, 'UTF8')::json -> 'signature' ->> 'key_id')::uuid end
 where state = 'held';

-- What a process of the release before keeps meanwhile names its clamp too.
create function held_entry_names_its_clamp() returns trigger language plpgsql as $$
begin
  if new.clamps = '{}' and new.clamp_id is not null then new.clamps := array[new.clamp_id]; end if;
  if new.mark_keys = '{}' and new.mark_key is not null then new.mark_keys := array[new.mark_key]; end if;
  return new;
end $$;
create trigger held_entry_names_its_clamp before insert on held_entry
  for each row execute function held_entry_names_its_clamp();

create index held_entry_waiting_for_clamps on held_entry using gin (clamps) where state = 'held';
create index held_entry_waiting_for_marks on held_entry using gin (mark_keys) where state = 'held';
create index held_entry_waiting_and_restricting on held_entry (received_at, id) where state = 'held' and restricts;
-- Those that restrict nothing are counted by device.
create index held_entry_waiting_of_device on held_entry (device_id) where state = 'held' and not restricts;

grant update (bars, weighed, yards, tries, stays_because) on held_entry to clampward_door;
