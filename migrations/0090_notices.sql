-- Who reads the ledger to act on it, and how far it has come. A reader holds its row's lock for as long as it works, and
-- moves its position in the transaction of what it does: any number of processes may try, one at a time does, and what a
-- dying one had begun was never there. Notices begin at the ledger's head of now: nobody is told of years gone by.
create table ledger_reader (
  name      text primary key,
  position  bigint not null,
  looked_at timestamptz not null,
  constraint ledger_reader_counts_up check (position >= 0)
) with (fillfactor = 50);
insert into ledger_reader (name, position, looked_at)
select 'notices', h.position, greatest(h.recorded_at, '2000-01-01Z') from ledger_head as h;

-- The day of which a time zone's yards were last asked what there is to tell.
create table notice_day (
  time_zone text primary key,
  day       date not null
) with (fillfactor = 50);

-- A mail: what its recipient was to be told at the moment it was put together, or taken up again. It is put together once, leased by whoever
-- sends it, and sent again under the same id where nobody knows whether it went.
create table mail (
  id           uuid primary key,
  recipient    uuid not null references person (id),
  made_at      timestamptz not null,
  attempts     integer not null default 0,
  next_try_at  timestamptz not null,
  lease_token  uuid,
  lease_until  timestamptz,
  sent_at      timestamptz,
  address      text,
  last_error   text,
  dead_because text,
  constraint mail_is_leased_whole check ((lease_token is null) = (lease_until is null)),
  constraint mail_ends_once check (sent_at is null or dead_because is null)
) with (fillfactor = 70);
create index mail_to_send on mail (next_try_at) where sent_at is null and dead_because is null;
create index mail_dead on mail (made_at, id) where dead_because is not null;

-- A notice: one for each subject, kind and recipient, for ever.
create table notice (
  id              uuid primary key,
  kind            text not null,
  subject         uuid not null,
  recipient       uuid not null references person (id),
  level           smallint not null,
  form            text not null,
  clamp_id        uuid,
  lockout_id      uuid,
  yard_id         uuid,
  yards           uuid[] not null,
  about           jsonb not null,
  since           timestamptz not null,
  raised_at       timestamptz not null,
  leaves_at       timestamptz not null,
  over_if_settled boolean not null,
  escalates_at    timestamptz,
  settled_at      timestamptz,
  acknowledged_at timestamptz,
  acknowledged_by uuid references person (id),
  mail_id         uuid references mail (id),
  constraint notice_is_one_for_each unique (subject, kind, recipient),
  constraint notice_form_is_a_word check (form in ('at_once', 'digest')),
  constraint notice_is_acknowledged_by_somebody check ((acknowledged_at is null) = (acknowledged_by is null))
) with (fillfactor = 70);
create index notice_by_time on notice (raised_at desc, id desc);
create index notice_of_recipient on notice (recipient, raised_at desc, id desc);
-- Those that are still to leave: neither acknowledged nor over meanwhile.
create index notice_to_leave on notice (leaves_at, id)
  where mail_id is null and acknowledged_at is null and not (over_if_settled and settled_at is not null);
create index notice_to_leave_of on notice (recipient, leaves_at, id)
  where mail_id is null and acknowledged_at is null and not (over_if_settled and settled_at is not null);
create index notice_to_escalate on notice (escalates_at) where escalates_at is not null;
create index notice_of_clamp on notice (clamp_id, raised_at desc, id desc);
create index notice_held on notice (subject) where kind = 'held_entry_waiting' and settled_at is null;
create index notice_silent on notice (since) where kind = 'tablet_silent' and settled_at is null;
create index notice_of_lockout on notice (lockout_id) where settled_at is null;
create index notice_of_mail on notice (mail_id);

-- Defects with a date: few, and asked after all the time.
create index lockout_with_a_date on lockout (bars_from) where closed_at is null and bars_from > opened_at;

alter table notice enable row level security;
create policy notice_door on notice to clampward_door using (true) with check (true);
-- What concerns no yard is read by those who see all of them, and by its recipient.
create policy notice_reader on notice for select to clampward_reader
  using ((select clampward_sees_all()) or yards && (select clampward_yards()));
grant select, insert, update on ledger_reader, notice_day, mail, notice to clampward_door;
grant select on notice to clampward_reader;
grant select (id, sent_at, dead_because) on mail to clampward_reader;
-- Rows that change a few times soon after they are made: their old versions go before they are many.
alter table notice set (autovacuum_vacuum_scale_factor = 0.02, autovacuum_vacuum_threshold = 500);
alter table mail set (autovacuum_vacuum_scale_factor = 0.02, autovacuum_vacuum_threshold = 500);
