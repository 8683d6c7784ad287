-- A yard's clamps one part after the other, by id: what a part costs grows with the part, neither with the yard nor with the
-- fleet. Nearly every clamp is in one yard; those whose place is in doubt are few and have an index of their own. (The
-- index over all yards of each clamp answers in no order, and row-level security keeps comparisons of arrays out of it.)
create index clamp_of_one_yard on clamp ((yards[1]), id) where cardinality(yards) = 1;
create index clamp_of_several_yards on clamp (id) where cardinality(yards) > 1;
