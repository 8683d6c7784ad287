-- Lock-outs, open and closed, as computed from the entries. `record` is the lock-out as the fold has it; closed ones
-- live only here, so that a clamp's state does not grow with its history.
create table lockout (
  id              uuid primary key,
  clamp_id        uuid not null references clamp (id),
  criterion       text,
  reason          text,
  bars_from       timestamptz not null,
  opened_by_entry uuid not null,
  opened_at       timestamptz not null,
  closed_by_entry uuid,
  closed_at       timestamptz,
  record          jsonb not null,
  constraint lockout_says_why check (criterion is not null or reason is not null),
  constraint lockout_is_closed_by_an_entry check ((closed_at is null) = (closed_by_entry is null))
);
create index lockout_by_clamp on lockout (clamp_id, opened_at, id);
create index lockout_open on lockout (clamp_id, bars_from) where closed_at is null;
create index lockout_open_by_reason on lockout (coalesce(reason, criterion), clamp_id) where closed_at is null;

grant select, insert, update, delete on lockout to clampward_door;
grant select on lockout to clampward_reader;
