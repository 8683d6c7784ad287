-- Who may touch what. The service signs in as clampward_service, which owns nothing and inherits nothing: it takes
-- either the writing role (the door) or the reading role, never both at once. Whoever migrates owns the tables.
-- Roles belong to the whole cluster, so that another database may have made them already, even at this moment.
do $$
declare
  wanted text;
begin
  foreach wanted in array array['clampward_door', 'clampward_reader', 'clampward_service'] loop
    if not exists (select from pg_roles where rolname = wanted) then
      begin
        execute format('create role %I nologin noinherit', wanted);
      exception
        when duplicate_object or unique_violation then null;
      end;
    end if;
  end loop;
  foreach wanted in array array['clampward_door', 'clampward_reader'] loop
    if not exists (
      select from pg_auth_members m
        join pg_roles r on r.oid = m.roleid
        join pg_roles s on s.oid = m.member
       where r.rolname = wanted and s.rolname = 'clampward_service'
    ) then
      begin
        execute format('grant %I to clampward_service', wanted);
      exception
        when unique_violation then null;
      end;
    end if;
  end loop;
end $$;

revoke create on schema public from public;
grant usage on schema public to clampward_door, clampward_reader;
