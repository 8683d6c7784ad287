-- Clamps whose projection a change of reference data may have touched. Until such a row is worked off, readers and the
-- door compute the clamp from all its entries instead of trusting the projection.
create table pending_reassessment (
  clamp_id       uuid not null references clamp (id),
  cause_position bigint not null,
  primary key (clamp_id, cause_position)
);
grant select, insert, delete on pending_reassessment to clampward_door;
grant select on pending_reassessment to clampward_reader;
