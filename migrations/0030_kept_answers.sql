-- The first answer to a request that bears an Idempotency-Key, kept for whoever lost it. It is written in the transaction
-- of the request's effect, so that there is never the one without the other. `id` is a digest of who asked, how, for what
-- and under which key; `sealed` can be opened only with the key itself, which is kept nowhere: an answer may show a secret.
create table kept_answer (
  id          bytea primary key check (octet_length(id) = 32),
  fingerprint bytea not null check (octet_length(fingerprint) = 32),
  sealed      bytea not null,
  kept_at     timestamptz not null,
  expires_at  timestamptz not null check (expires_at > kept_at)
);
create index kept_answer_by_end on kept_answer (expires_at);
grant select, insert, delete on kept_answer to clampward_door;
