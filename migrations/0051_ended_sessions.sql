-- Sessions that have been over for long are forgotten by the service, in the order in which they ended.
create index session_family_over on session_family (least(ended_at, expires_at));
grant delete on session_family to clampward_door;
