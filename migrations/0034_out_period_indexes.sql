-- Counts over a fleet read an index and no table, also by reason: the common periods have all that is counted by in the
-- index, and are counted by it before anything is grouped. A clamp whose place is in doubt, or with more reasons than an
-- index entry should bear, is rare: those have an index of their own and are read from the table. The bound on reasons
-- stands here for safety: an entry that does not fit into an index could not be recorded.
drop index out_period_foreseen;
drop index out_period_ended;
-- Both bounded by the answer: of the foreseen ones those that have begun, of the others those that had not ended.
create index out_period_foreseen on out_period (yard_id, starts_at)
  include (ends_at, kind, reasons, model_id, wll_kg) where foreseen and not in_doubt and cardinality(reasons) <= 8;
create index out_period_ended on out_period (yard_id, ends_at)
  include (starts_at, kind, model_id, wll_kg) where not foreseen and not in_doubt and cardinality(reasons) <= 8;
create index out_period_odd on out_period (yard_id, ends_at) where in_doubt or cardinality(reasons) > 8;
