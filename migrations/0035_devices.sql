-- Devices: tablets that people share. A device is an account like a person's or a program's, so that its yards are versioned
-- in the ledger and one check serves all who call; but it is nobody: no password, no competence, nothing in its own name.
alter table person
  drop constraint person_kind_is_a_word,
  add constraint person_kind_is_a_word check (kind in ('person', 'service', 'device'));
alter table session_family
  drop constraint session_family_reason_is_a_word,
  add constraint session_family_reason_is_a_word
    check (ended_for in ('revoked', 'reuse', 'password_set', 'account_closed', 'secret_revoked', 'device_revoked'));

-- A one-time code by which one device enrols, as its digest.
create table device_enrolment (
  id           uuid primary key,
  digest       bytea not null,
  name         text not null,
  yards        uuid[] not null,
  created_at   timestamptz not null,
  created_by   uuid not null references person (id),
  expires_at   timestamptz not null,
  withdrawn_at timestamptz,
  device_id    uuid references person (id),
  constraint device_enrolment_is_one_code unique (digest),
  constraint device_enrolment_digest_length check (octet_length(digest) = 32),
  constraint device_enrolment_has_a_yard check (cardinality(yards) > 0),
  constraint device_enrolment_enrols_one_device unique (device_id),
  constraint device_enrolment_is_used_or_withdrawn check (withdrawn_at is null or device_id is null)
);
grant select, insert on device_enrolment to clampward_door;
grant update (withdrawn_at, device_id) on device_enrolment to clampward_door;

-- What proves a device, and what it last sent. Its key is a session: access tokens that were handed out for it end with it.
-- The columns from last_number on are written with each push, by whoever holds the device's lock: last_number is the highest
-- device number that was handed out, missing counts the entries that never arrived below received_to.
create table device (
  id             uuid primary key references person (id),
  session_id     uuid not null references session_family (id),
  public_key     bytea not null,
  enrolled_at    timestamptz not null,
  enrolled_by    uuid not null references person (id),
  last_number    integer not null default 1,
  pushed_at      timestamptz,
  received_to    bigint not null default 0,
  queue_length   bigint not null default 0,
  missing        bigint not null default 0,
  copy_noticed_at timestamptz,
  constraint device_has_one_session unique (session_id),
  constraint device_key_is_one_devices unique (public_key),
  constraint device_key_length check (octet_length(public_key) = 32),
  constraint device_numbers_count_from_one check (last_number > 0),
  constraint device_counts_are_counts check (received_to >= 0 and queue_length >= 0 and missing >= 0)
);
create function only_a_device_has_it() returns trigger
language plpgsql set search_path = public, pg_temp as $$
begin
  if not exists (select from person where id = new.id and kind = 'device') then
    raise exception '% is of devices alone, and % is none', tg_table_name, new.id using errcode = 'CW005';
  end if;
  return new;
end $$;
create trigger device_is_a_device before insert on device
  for each row execute function only_a_device_has_it();
grant select, insert on device to clampward_door;
grant update (last_number, pushed_at, received_to, queue_length, missing, copy_noticed_at) on device to clampward_door;
grant select on device to clampward_reader;

-- The role device is every device's and nobody else's: whoever writes past the service is told so too.
create function device_role_is_a_devices() returns trigger
language plpgsql set search_path = public, pg_temp as $$
begin
  if (new.roles = array['device']) is distinct from (select kind = 'device' from person where id = new.person_id)
     or ('device' = any (new.roles) and new.roles <> array['device']) then
    raise exception 'the role device is a device''s only role and nobody else''s: % cannot hold %', new.person_id, new.roles
      using errcode = 'CW005';
  end if;
  return new;
end $$;
create trigger device_role_is_a_devices before insert on person_version
  for each row execute function device_role_is_a_devices();

-- Revocation is for good. What the device recorded before stays.
create table device_revocation (
  device_id   uuid primary key references device (id),
  reason      text not null,
  position    bigint not null,
  recorded_at timestamptz not null,
  recorded_by uuid not null
);
