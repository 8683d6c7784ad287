-- Keys by which people sign on devices. They are rows of the ledger on the device's stream, so that it can be shown years
-- later whose word an entry was. Which entries a key signs follows from the instants alone: nothing here is ever changed.
create table signing_key (
  id          uuid primary key,
  device_id   uuid not null references device (id),
  person_id   uuid not null references person (id),
  public_key  bytea not null,
  expires_at  timestamptz not null,
  position    bigint not null,
  recorded_at timestamptz not null,
  recorded_by uuid not null,
  constraint signing_key_is_one_persons_on_one_device unique (public_key),
  constraint signing_key_length check (octet_length(public_key) = 32),
  -- The ledger says it in whole seconds.
  constraint signing_key_ends_with_a_second check (date_trunc('second', expires_at, 'UTC') = expires_at),
  constraint signing_key_ends_after_its_beginning check (expires_at > recorded_at)
);
create index signing_key_of_device on signing_key (device_id, id);
create trigger signing_key_is_a_persons before insert on signing_key
  for each row execute function only_a_person_has_it();

create table signing_key_revocation (
  key_id      uuid primary key references signing_key (id),
  why         text not null,
  reason      text,
  position    bigint not null,
  recorded_at timestamptz not null,
  recorded_by uuid not null,
  constraint signing_key_revocation_is_a_word check (why in ('replaced', 'withdrawn', 'device_revoked'))
);

do $$
declare
  kept text;
begin
  foreach kept in array array['device_revocation', 'signing_key', 'signing_key_revocation'] loop
    execute format('create trigger %I before update or delete on %I for each row execute function reference_is_append_only()',
                   kept || '_refuses_change', kept);
    execute format('create trigger %I before truncate on %I for each statement execute function reference_is_append_only()',
                   kept || '_refuses_truncate', kept);
    execute format('alter table %I enable always trigger %I', kept, kept || '_refuses_change');
    execute format('alter table %I enable always trigger %I', kept, kept || '_refuses_truncate');
    execute format('grant select, insert on %I to clampward_door', kept);
    execute format('grant select on %I to clampward_reader', kept);
  end loop;
end $$;
