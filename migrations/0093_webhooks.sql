-- Webhooks: events that endpoints are told of. An endpoint reads the ledger, and the days that come, on; what it is to be told
-- is written down in the transaction that moves how far it has come. A delivery is leased by whoever makes it, and made again
-- under the same event id where nobody knows whether it arrived.
create table webhook_endpoint (
  id             uuid primary key,
  url            text not null,
  description    text not null,
  events         text[] not null,
  version        bigint not null default 1,
  paused_because text,
  created_at     timestamptz not null,
  created_by     uuid not null references person (id),
  changed_at     timestamptz not null,
  changed_by     uuid not null references person (id),
  removed_at     timestamptz,
  -- How far it was read on: of the ledger, and of the instants at which clamps become another by themselves.
  position       bigint not null,
  moment         timestamptz not null,
  moment_clamp   uuid not null default 'ffffffff-ffff-ffff-ffff-ffffffffffff',
  -- How it goes.
  failures       integer not null default 0,
  failing_since  timestamptz,
  last_error     text,
  wait_until     timestamptz,
  delivered_at   timestamptz,
  constraint webhook_endpoint_pause_is_a_word check (paused_because in ('by_hand', 'failing', 'gone')),
  constraint webhook_endpoint_wants_something check (cardinality(events) > 0)
) with (fillfactor = 50);

-- What events are signed with: the first 32 bytes for HMAC-SHA256, the others the seed of an Ed25519 key. They have to be had
-- as they are, so whoever has the database can sign.
create table webhook_secret (
  id          uuid primary key,
  endpoint_id uuid not null references webhook_endpoint (id),
  keys        bytea not null,
  created_at  timestamptz not null,
  created_by  uuid not null references person (id),
  expires_at  timestamptz,
  constraint webhook_secret_is_whole check (octet_length(keys) = 64)
);
create index webhook_secret_of_endpoint on webhook_secret (endpoint_id, created_at);

create table webhook_delivery (
  seq          bigint generated always as identity,
  endpoint_id  uuid not null references webhook_endpoint (id),
  event_id     uuid not null,
  type         text not null,
  -- The clamp or bulletin: of one subject nothing overtakes what was before it.
  subject      uuid not null,
  happened_at  timestamptz not null,
  body         text not null,
  made_at      timestamptz not null,
  state        text not null default 'waiting',
  attempts     integer not null default 0,
  next_try_at  timestamptz not null,
  lease_token  uuid,
  lease_until  timestamptz,
  last_status  smallint,
  last_error   text,
  ended_at     timestamptz,
  primary key (endpoint_id, event_id),
  constraint webhook_delivery_state_is_a_word check (state in ('waiting', 'delivered', 'given_up')),
  constraint webhook_delivery_is_leased_whole check ((lease_token is null) = (lease_until is null)),
  constraint webhook_delivery_ends check ((state = 'waiting') = (ended_at is null))
) with (fillfactor = 70);
create unique index webhook_delivery_listed on webhook_delivery (endpoint_id, seq);
create index webhook_delivery_to_try on webhook_delivery (endpoint_id, next_try_at, seq) where state = 'waiting';
create index webhook_delivery_in_order on webhook_delivery (endpoint_id, subject, seq) where state = 'waiting';
create index webhook_delivery_leased on webhook_delivery (endpoint_id) where lease_until is not null;
create index webhook_delivery_tests on webhook_delivery (next_try_at, seq) where state = 'waiting' and type = 'webhook.test';
create index webhook_delivery_given_up on webhook_delivery (endpoint_id, seq) where state = 'given_up';
create index webhook_delivery_by_time on webhook_delivery (endpoint_id, happened_at);
create index webhook_delivery_ended on webhook_delivery (ended_at) where state <> 'waiting';

-- Instants at which a clamp is out no longer, or in another way, by itself: few.
create index out_period_foreseen_end on out_period (ends_at, clamp_id) where foreseen and ends_at < 'infinity';

grant select, insert, update on webhook_endpoint, webhook_secret, webhook_delivery to clampward_door;
grant delete on webhook_secret, webhook_delivery to clampward_door;
