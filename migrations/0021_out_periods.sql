-- Periods in which a clamp is out (registered, not retired, not fit), for counts over a fleet at any instant: written
-- with the projection, computed from the entries, never folded when asked. A row per yard, because a clamp whose place
-- is in doubt counts in each. A period that follows the clamp's last entry is foreseen: the next entry may end it, and
-- one that is overdue only next month stands here already, so that nothing has to run at midnight.
create table out_period (
  clamp_id  uuid not null,
  starts_at timestamptz not null,
  ends_at   timestamptz not null,
  foreseen  boolean not null,
  yard_id   uuid not null,
  in_doubt  boolean not null,
  kind      text not null,
  reasons   text[] not null,
  model_id  uuid not null,
  wll_kg    numeric,
  constraint out_period_pkey primary key (clamp_id, starts_at, yard_id),
  constraint out_period_lasts check (starts_at < ends_at),
  constraint out_period_kind_is_known check (kind in ('tagged_out', 'awaiting_initial_inspection', 'overdue', 'not_fit')),
  constraint out_period_says_why check (cardinality(reasons) > 0)
);
-- Both bounded by the answer: of the foreseen ones those that have begun, of the others those that had not ended.
create index out_period_foreseen on out_period (yard_id, starts_at)
  include (ends_at, kind, in_doubt, model_id, wll_kg, clamp_id) where foreseen;
create index out_period_ended on out_period (yard_id, ends_at)
  include (starts_at, kind, in_doubt, model_id, wll_kg, clamp_id) where not foreseen;

alter table out_period enable row level security;
create policy out_period_door on out_period to clampward_door using (true) with check (true);
create policy out_period_reader on out_period for select to clampward_reader
  using ((select clampward_sees_all()) or yard_id = any ((select clampward_yards())::uuid[]));
grant select, insert, update, delete on out_period to clampward_door;
grant select on out_period to clampward_reader;

-- Clamps that were recorded before get theirs by being computed again.
insert into pending_reassessment (clamp_id, cause_position)
select c.id, h.position from clamp as c join stream_head as h on h.stream = c.id where h.position > 0
on conflict do nothing;
