-- What is due is read page by page in the order of its instant and the clamp's id: at one midnight very many may be, and each page
-- begins where the last one ended, without sorting those of that midnight again.
drop index clamp_by_next_due;
create index clamp_by_next_due on clamp (next_due_at, id) where retired_at is null;
