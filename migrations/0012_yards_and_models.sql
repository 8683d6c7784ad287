-- Yards and models: versions that start on a civil day, each a row of the ledger too, never overwritten. The heads
-- (yard, model) only say which version is the newest and keep codes and names unique.
create table yard (
  id      uuid primary key,
  code    text not null,
  version integer not null,
  constraint yard_code_is_one_yards unique (code)
);

create table yard_version (
  yard_id     uuid not null references yard (id),
  version     integer not null,
  starts_on   date,
  starts_at   timestamptz not null,
  body        jsonb not null,
  position    bigint not null,
  recorded_at timestamptz not null,
  recorded_by uuid not null,
  constraint yard_version_pkey primary key (yard_id, version),
  constraint yard_version_counts_from_one check (version > 0),
  constraint yard_version_never_starts_before_its_recording check (starts_at >= recorded_at)
);
create index yard_version_by_position on yard_version (position);

create table model (
  id      uuid primary key,
  maker   text not null,
  name    text not null,
  version integer not null
);
create unique index model_name_is_one_of_its_maker on model (lower(maker), lower(name));

create table model_version (
  model_id    uuid not null references model (id),
  version     integer not null,
  starts_on   date,
  starts_at   timestamptz not null,
  body        jsonb not null,
  position    bigint not null,
  recorded_at timestamptz not null,
  recorded_by uuid not null,
  constraint model_version_pkey primary key (model_id, version),
  constraint model_version_counts_from_one check (version > 0),
  constraint model_version_never_starts_before_its_recording check (starts_at >= recorded_at)
);
create index model_version_by_position on model_version (position);

do $$
declare
  kept text;
begin
  foreach kept in array array['yard_version', 'model_version'] loop
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
grant select, insert on yard, model to clampward_door;
grant update (code, version) on yard to clampward_door;
grant update (version) on model to clampward_door;
grant select on yard, model to clampward_reader;
