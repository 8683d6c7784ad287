-- Clamps as computed from their entries. `state` is the fold (without closed lock-outs); the other columns are what
-- questions over many clamps compare with: instants, never a status, so that nothing has to run at midnight.
create table clamp (
  id                  uuid primary key,
  state               jsonb not null default 'null',
  reference_version   bigint not null default 0,
  projected_at        timestamptz,
  yards               uuid[] not null default '{}',
  model_id            uuid,
  maker               text,
  model               text,
  maker_key           text,
  asset_mark          text,
  mark_key            text,
  mark_look_alike_key text,
  serial_number       text,
  serial_key          text,
  service_class       text,
  wll_kg              numeric,
  in_service_from     timestamptz,
  retired_at          timestamptz,
  bars_from           timestamptz,
  fit_until           timestamptz,
  due_frequent        date,
  due_periodic        date,
  next_due_at         timestamptz,
  constraint clamp_is_not_fit_while_barred check (bars_from is null or fit_until is null or fit_until <= bars_from)
) with (fillfactor = 80);
create index clamp_by_yard on clamp using gin (yards);
create index clamp_by_mark on clamp (mark_key);
create index clamp_by_look_alike_mark on clamp (mark_look_alike_key);
create index clamp_by_number on clamp (serial_key, maker_key);
create index clamp_by_model on clamp (model_id);
create index clamp_by_next_due on clamp (next_due_at) where retired_at is null;
create index clamp_barred on clamp (bars_from) where bars_from is not null and retired_at is null;

-- Every number that a clamp ever bore, the maker's name and the serial number as keys: one maker's number names one
-- clamp for ever, whatever it was amended to and whether it is retired. Two clamps under one number are in doubt.
create table clamp_number (
  serial_key text not null,
  maker_key  text not null,
  clamp_id   uuid not null references clamp (id),
  constraint clamp_number_pkey primary key (serial_key, maker_key, clamp_id)
);
create index clamp_number_of_clamp on clamp_number (clamp_id);
create function clamp_number_stays_claimed() returns trigger language plpgsql as $$
begin
  raise exception 'a number that a clamp bore stays its own: % is refused', tg_op using errcode = 'CW002';
end $$;
create trigger clamp_number_refuses_change before update or delete on clamp_number
  for each row execute function clamp_number_stays_claimed();
create trigger clamp_number_refuses_truncate before truncate on clamp_number
  for each statement execute function clamp_number_stays_claimed();
alter table clamp_number enable always trigger clamp_number_refuses_change;
alter table clamp_number enable always trigger clamp_number_refuses_truncate;
-- Only the door reads it: it tells of clamps of every yard.
grant select, insert on clamp_number to clampward_door;

grant select, insert, update on clamp to clampward_door;
grant select on clamp, stream_head to clampward_reader;
