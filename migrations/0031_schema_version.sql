-- The service may see how far the database is migrated, so that it says it is not ready instead of failing request by
-- request on a schema that is too old for it.
grant select (version, success) on _sqlx_migrations to clampward_door, clampward_reader;
