-- Sign-in: what proves who somebody is. Secrets are kept as digests only, are no part of the ledger, and are seen by
-- the writing role alone.
create table credential (
  person_id     uuid primary key references person (id),
  password_hash text not null,
  set_at        timestamptz not null
);

create table set_password_token (
  digest     bytea primary key,
  person_id  uuid not null references person (id),
  issued_at  timestamptz not null,
  expires_at timestamptz not null,
  used_at    timestamptz,
  constraint set_password_token_digest_length check (octet_length(digest) = 32)
);
create index set_password_token_of_person on set_password_token (person_id);

-- One sign-in and every refresh token that came of it. Use of a token that was used before ends the family.
create table session_family (
  id         uuid primary key,
  person_id  uuid not null references person (id),
  started_at timestamptz not null,
  expires_at timestamptz not null,
  ended_at   timestamptz,
  ended_for  text,
  constraint session_family_ends_for_a_reason check ((ended_at is null) = (ended_for is null)),
  constraint session_family_reason_is_a_word check (ended_for in ('revoked', 'reuse', 'password_set'))
);
create index session_family_of_person on session_family (person_id) where ended_at is null;

create table refresh_token (
  digest    bytea primary key,
  family_id uuid not null references session_family (id) on delete cascade,
  issued_at timestamptz not null,
  used_at   timestamptz,
  constraint refresh_token_digest_length check (octet_length(digest) = 32)
);
create index refresh_token_of_family on refresh_token (family_id);

grant select, insert, update on credential, set_password_token, session_family, refresh_token to clampward_door;
