-- Where a clamp ever was, and as what it was registered, is part of its state: what was judged by another yard or model
-- counts for nothing. States that were kept before do not hold it; they are computed again from all their entries.
insert into pending_reassessment (clamp_id, cause_position)
select c.id, h.position from clamp as c join stream_head as h on h.stream = c.id where h.position > 0
on conflict do nothing;
