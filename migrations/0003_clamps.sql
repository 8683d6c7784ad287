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

grant select, insert, update on clamp to clampward_door;
grant select on clamp, stream_head to clampward_reader;
