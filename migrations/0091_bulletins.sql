-- Safety bulletins: recorded once and never changed, closed once.
create table bulletin (
  id        uuid primary key,
  issued_by text not null,
  code      text not null,
  body      jsonb not null,
  position  bigint not null,
  opened_at timestamptz not null,
  opened_by uuid not null references person (id)
);
create unique index bulletin_is_one_of_its_issuer on bulletin (lower(issued_by), lower(code));

create table bulletin_closure (
  bulletin_id uuid primary key references bulletin (id),
  body        jsonb not null,
  position    bigint not null,
  closed_at   timestamptz not null,
  closed_by   uuid not null references person (id)
);

-- A clamp in scope that could not be found: who looks for it, and until when. It closes the count, never the lock-out.
create table bulletin_not_found (
  position    bigint primary key,
  bulletin_id uuid not null references bulletin (id),
  clamp_id    uuid not null references clamp (id),
  body        jsonb not null,
  recorded_at timestamptz not null,
  recorded_by uuid not null references person (id)
);
create index bulletin_not_found_of_clamp on bulletin_not_found (bulletin_id, clamp_id, position desc);

-- How far the clamps that were there when it was opened have been gone through, in the order of their ids, and those that
-- could not be held. Moved in the transaction of the holds: whoever dies in between had held none of them.
create table bulletin_hold (
  bulletin_id uuid primary key references bulletin (id),
  reached     uuid not null default '00000000-0000-0000-0000-000000000000',
  done_at     timestamptz,
  -- The row that says so. What bars nothing is done without one.
  held_position bigint,
  failed      uuid[] not null default '{}'
) with (fillfactor = 50);
create index bulletin_to_hold on bulletin_hold (bulletin_id) where done_at is null;

-- Clamps that come to light later are found by reading the ledger on.
insert into ledger_reader (name, position, looked_at)
select 'bulletins', h.position, greatest(h.recorded_at, '2000-01-01Z') from ledger_head as h;

-- Which bulletin is behind a lock-out, as a column of its own: a question about all clamps of a bulletin reads no other.
alter table lockout add column bulletin_id uuid generated always as ((record ->> 'bulletin')::uuid) stored;
create index lockout_of_bulletin on lockout (bulletin_id, clamp_id) where bulletin_id is not null;

create index notice_of_bulletin on notice ((about ->> 'bulletin_id'))
  where kind in ('bulletin_opened', 'bulletin_not_accounted_for');

do $$
declare
  kept text;
begin
  foreach kept in array array['bulletin', 'bulletin_closure', 'bulletin_not_found'] loop
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
grant select, insert, update on bulletin_hold to clampward_door;
grant select (bulletin_id, done_at, held_position, failed) on bulletin_hold to clampward_reader;

alter table bulletin_not_found enable row level security;
create policy bulletin_not_found_door on bulletin_not_found to clampward_door using (true) with check (true);
create policy bulletin_not_found_reader on bulletin_not_found for select to clampward_reader
  using (exists (select from clamp where clamp.id = bulletin_not_found.clamp_id));
