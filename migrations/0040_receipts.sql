-- What arrived of each device: its entries are counted by the device without a hole, so that what was lost is seen. A
-- device has one number; another one is handed out where a copy of it is noticed, because both count by the same.
create table device_number (
  device_id   uuid not null references person (id),
  number      integer not null,
  received_to bigint not null default 0,
  missing     bigint not null default 0,
  constraint device_number_pkey primary key (device_id, number),
  constraint device_number_counts_from_one check (number > 0 and received_to >= 0 and missing >= 0)
);

-- The ranges below received_to that never arrived, so that naming them costs no more than there are.
create table device_gap (
  device_id uuid not null,
  number    integer not null,
  from_seq  bigint not null,
  to_seq    bigint not null,
  constraint device_gap_pkey primary key (device_id, number, from_seq),
  constraint device_gap_of_a_number foreign key (device_id, number) references device_number (device_id, number),
  constraint device_gap_is_a_range check (from_seq > 0 and to_seq >= from_seq)
);

-- Which entry came under which of the device's counts. Where it went, the ledger and the held entries say.
create table device_receipt (
  device_id   uuid not null,
  number      integer not null,
  seq         bigint not null,
  entry_id    uuid not null,
  outcome     text not null,
  held_id     uuid,
  received_at timestamptz not null,
  constraint device_receipt_pkey primary key (device_id, number, seq, entry_id),
  constraint device_receipt_of_a_number foreign key (device_id, number) references device_number (device_id, number),
  constraint device_receipt_outcome_is_a_word check (outcome in ('recorded', 'held', 'refused'))
);

-- Where the clock that nobody can set stood when a push arrived: entries of that start of the device which come after it
-- was started again are put in time by it.
create table device_boot (
  device_id    uuid not null references person (id),
  boot         uuid not null,
  monotonic_ms bigint not null,
  received_at  timestamptz not null,
  constraint device_boot_pkey primary key (device_id, boot)
);

-- Entries on which the service itself failed, and how often.
create table push_failure (
  device_id uuid not null references person (id),
  entry_id  uuid not null,
  failures  integer not null,
  failed_at timestamptz not null,
  constraint push_failure_pkey primary key (device_id, entry_id)
);

grant select, insert, update on device_number, device_boot, push_failure to clampward_door;
grant select, insert, delete on device_gap to clampward_door;
grant select, insert on device_receipt to clampward_door;
