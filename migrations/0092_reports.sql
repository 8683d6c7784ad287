-- Rejections of a time: what reports over months are made of.
create index lockout_of_finding on lockout (opened_at) where criterion is not null;
