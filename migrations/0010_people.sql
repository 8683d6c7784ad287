-- People: accounts with roles and yards, versioned like all reference data, each version a row of the ledger too.
-- The heads (person) only say which version is current and keep the e-mail address unique.
create function reference_is_append_only() returns trigger language plpgsql as $$
begin
  raise exception 'a recorded version of reference data is never changed: % on % is refused', tg_op, tg_table_name
    using errcode = 'CW002', hint = 'Record a new version.';
end $$;

create table person (
  id      uuid primary key,
  email   text not null,
  version integer not null,
  constraint person_email_is_one_persons unique (email),
  constraint person_email_is_normal check (email = lower(email) and email like '%_@_%' and length(email) <= 254)
);

create table person_version (
  person_id   uuid not null references person (id),
  version     integer not null,
  email       text not null,
  name        text not null,
  enabled     boolean not null,
  roles       text[] not null,
  all_yards   boolean not null,
  yards       uuid[] not null,
  position    bigint not null,
  recorded_at timestamptz not null,
  recorded_by uuid not null,
  constraint person_version_pkey primary key (person_id, version),
  constraint person_version_counts_from_one check (version > 0),
  constraint person_version_yards_are_all_or_listed check (not (all_yards and cardinality(yards) > 0))
);
create index person_version_by_position on person_version (position);

create table competence (
  id          uuid primary key,
  person_id   uuid not null references person (id),
  kind        text not null,
  valid_from  date not null,
  valid_until date,
  evidence    text,
  position    bigint not null,
  recorded_at timestamptz not null,
  recorded_by uuid not null,
  constraint competence_days_are_ordered check (valid_until is null or valid_until >= valid_from),
  constraint competence_is_never_ones_own check (recorded_by <> person_id)
);
create index competence_of_person on competence (person_id, id);
create index competence_by_position on competence (position);

-- A withdrawal may be followed by another one from an earlier day; the earliest counts.
create table competence_revocation (
  competence_id uuid not null references competence (id),
  revoked_from  date not null,
  reason        text,
  position      bigint not null,
  recorded_at   timestamptz not null,
  recorded_by   uuid not null,
  constraint competence_revocation_pkey primary key (competence_id, position)
);

do $$
declare
  kept text;
begin
  foreach kept in array array['person_version', 'competence', 'competence_revocation'] loop
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
grant select, insert on person to clampward_door;
grant update (email, version) on person to clampward_door;
grant select on person to clampward_reader;
