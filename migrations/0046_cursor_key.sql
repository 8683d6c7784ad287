-- The key by which cursors are authenticated. It lives with the ledger whose positions they name: every process has the
-- same one, and it goes along into a copy of the database, where old cursors are told apart by their tags.
create table cursor_key (
  one boolean primary key default true,
  key bytea not null,
  constraint cursor_key_is_one_row check (one),
  constraint cursor_key_length check (octet_length(key) = 32)
);
insert into cursor_key (key)
values (sha256(uuid_send(gen_random_uuid()) || uuid_send(gen_random_uuid()) || uuid_send(gen_random_uuid())));
grant select on cursor_key to clampward_door;
