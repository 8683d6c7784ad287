-- Guessing is slowed down per account, by every process alike: attempts to sign in that were not followed by success.
-- Accounts that exist and addresses that belong to nobody are counted in the same way under a digest of the address, so
-- that nothing here tells them apart. Rows are forgotten after a day and when there are too many of them; what is
-- forgotten only makes guessing as slow as it is for a new address. Nothing here bars anybody for good.
create table sign_in_throttle (
  digest     bytea primary key,
  attempts   integer not null,
  last_at    timestamptz not null,
  not_before timestamptz not null,
  constraint sign_in_throttle_digest_length check (octet_length(digest) = 32),
  constraint sign_in_throttle_counts_from_one check (attempts > 0),
  constraint sign_in_throttle_waits_a_quarter_of_an_hour_at_most check (not_before <= last_at + interval '15 minutes')
);
create index sign_in_throttle_by_last_attempt on sign_in_throttle (last_at);
grant select, insert, update, delete on sign_in_throttle to clampward_door;
