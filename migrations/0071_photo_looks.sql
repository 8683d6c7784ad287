-- How often somebody began to look at an upload and did not come to an end. What kills a process is not tried for ever.
alter table photo_upload add column looks integer not null default 0;
