-- A retirement that nobody signed for bars its clamp and frees no mark; a return that nobody signed for waits for nothing;
-- an exemption, a longer scheme, a mark or a rating rests on what somebody signed for; a reading that was judged by another
-- model is judged by the clamp's own, too. States that were kept before are computed again from all their entries.
insert into pending_reassessment (clamp_id, cause_position)
select c.id, h.position from clamp as c join stream_head as h on h.stream = c.id where h.position > 0
on conflict do nothing;
