-- The digest of the part of a code that names it: attempts are counted for codes that there are, so that names that
-- somebody makes up take no room among those who are slowed down. Codes from before live for a day at most.
alter table device_enrolment add column name_digest bytea
  constraint device_enrolment_name_digest_length check (octet_length(name_digest) = 32);
create index device_enrolment_name on device_enrolment (name_digest) where name_digest is not null;
