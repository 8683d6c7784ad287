-- What is held because it names a model, a yard or versions that nobody knew is tried again once reference data moved on: the
-- version by which it was tried last says whether they did. `tries` counts the tries in a row that came to no end.
alter table held_entry add column tried_version bigint;

-- What may restrict is decided anew by each release: what was held by an older rule bars by the present one.
grant update (restricts, tried_version) on held_entry to clampward_door;
