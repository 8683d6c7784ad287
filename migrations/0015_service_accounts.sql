-- Service accounts: programs that sign in by themselves. They are accounts like people's, so that whatever they record
-- names them and their yards and roles are versioned in the ledger; but they are nobody: no password, no competence.
alter table person
  add column kind text not null default 'person',
  add constraint person_kind_is_a_word check (kind in ('person', 'service'));
create index person_of_kind on person (kind, id);

create function only_a_person_has_it() returns trigger
language plpgsql set search_path = public, pg_temp as $$
begin
  if not exists (select from person where id = new.person_id and kind = 'person') then
    raise exception '% is of people alone, and % is nobody', tg_table_name, new.person_id using errcode = 'CW005';
  end if;
  return new;
end $$;
create trigger credential_is_a_persons before insert or update on credential
  for each row execute function only_a_person_has_it();
create trigger set_password_token_is_a_persons before insert or update on set_password_token
  for each row execute function only_a_person_has_it();
create trigger competence_is_a_persons before insert on competence
  for each row execute function only_a_person_has_it();

-- A secret of a service account, as its digest. It is a session of its own kind: access tokens that were handed out for
-- it end with it, at once.
create table service_secret (
  id           uuid primary key references session_family (id),
  account_id   uuid not null references person (id),
  digest       bytea not null,
  shown        text not null,
  created_by   uuid not null references person (id),
  last_used_at timestamptz,
  constraint service_secret_is_one_secret unique (digest),
  constraint service_secret_digest_length check (octet_length(digest) = 32)
);
create index service_secret_of_account on service_secret (account_id, id);
grant select, insert on service_secret to clampward_door;
grant update (last_used_at) on service_secret to clampward_door;
