-- Sessions are felt at once: every request looks whether the session of its access token goes on, so the reading role
-- sees whether a session has ended, and nothing else of it. Digests of tokens stay with the writing role.
grant select (id, person_id, ended_at) on session_family to clampward_reader;

-- The token that was issued in exchange for this one. An answer can be lost on its way: while the successor is unused,
-- the token before it may be exchanged once more for a short time, and the lost successor then counts as used.
alter table refresh_token
  add column successor bytea,
  add constraint refresh_token_successor_length check (octet_length(successor) = 32),
  add constraint refresh_token_with_successor_is_used check (successor is null or used_at is not null);

alter table session_family
  drop constraint session_family_reason_is_a_word,
  add constraint session_family_reason_is_a_word
    check (ended_for in ('revoked', 'reuse', 'password_set', 'account_closed', 'secret_revoked'));
