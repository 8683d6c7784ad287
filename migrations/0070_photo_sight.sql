-- To cite a photo is not to have seen it. A citation shows its photo where it is vouched for: whoever handed the entry in, or
-- the device or person whose word it proves to be, has sent the photo themselves, or had it in sight when they cited it.
alter table photo_citation
  add column senders uuid[] not null default '{}',
  add column vouched boolean not null default false;
update photo_citation as c set senders = array_remove(array[l.recorded_by, l.performed_by, l.device_id], null)
  from ledger as l where l.id = c.entry_id;
update photo_citation as c set vouched = exists (
  select from photo_upload as u where u.sha256 = c.sha256 and u.done_at is not null and u.uploader = any (c.senders));
-- What is not vouched for is awaited, whether somebody else sent it or not.
update photo_citation set pending = true where not vouched;
